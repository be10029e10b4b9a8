"""The installed rules, made ready once for the run."""

import pytest

from service import pipeline


@pytest.fixture(scope="session")
def prepared() -> pipeline.Prepared:
    """The current version of the rules."""
    return pipeline.working()
