"""Exceptions of the service.

::

    Exception
    `-- AirsideError
        |-- OutOfRange            (also a ValueError)  a number outside the range a formula holds for
        |-- RulesetRefused        a ruleset is not fit to be used; names every fault
        |-- ReasoningFailed       the rule engine failed; there is no conclusion
        |-- SettingsRefused       environment variables that cannot be used; names every one
        |-- RecordRefused         (also a ValueError)  a record or filter that the store cannot hold
        |-- CursorRefused         a cursor that this service did not give out
        |-- ClientStalled         a client took nothing of its answer for too long
        |-- StoreUnavailable      the database cannot answer just now; try again later
        `-- StoreRefused          the database answers, but cannot be used as it is; says what to change
            |-- MigrationRefused  a migration could not be carried out
            |-- RoleRefused       row-level security would not bind the role the service acts as
            `-- EmbeddedServerRefused  the embedded database server does not start
"""

from collections.abc import Sequence


class AirsideError(Exception):
    """Base of every error this service raises on purpose."""


class OutOfRange(AirsideError, ValueError):
    """A number lies outside the range for which a formula holds; nothing was clamped.

    Parameters
    ----------
    name : the argument's name, as in the function's signature
    value : what was given, in the argument's SI unit
    low, high : the ends of the range, in the same unit; infinite where the range is open
    """

    def __init__(self, name: str, value: float, low: float, high: float) -> None:
        super().__init__(name, value, low, high)
        self.name = name
        self.value = value
        self.low = low
        self.high = high

    def __str__(self) -> str:
        return f"{self.name} is {self.value:.6g}, outside its range {self.low:.6g} to {self.high:.6g}"


class RulesetRefused(AirsideError):
    """A ruleset is not fit to be used; nothing of it is.

    Parameters
    ----------
    faults : everything found wrong, one sentence each, naming what to change
    """

    def __init__(self, faults: Sequence[str]) -> None:
        super().__init__(*faults)
        self.faults = tuple(faults)

    def __str__(self) -> str:
        return "\n".join(self.faults)


class ReasoningFailed(AirsideError):
    """The rule engine failed during an evaluation; what it had concluded by then is discarded."""


class SettingsRefused(AirsideError):
    """Environment variables that cannot be used.

    Parameters
    ----------
    faults : everything found wrong, one sentence each, beginning with the variable's name
    """

    def __init__(self, faults: Sequence[str]) -> None:
        super().__init__(*faults)
        self.faults = tuple(faults)

    def __str__(self) -> str:
        return "\n".join(self.faults)


class RecordRefused(AirsideError, ValueError):
    """A record or a filter holds something that the store cannot hold.

    Parameters
    ----------
    field : the field's name in the record
    reason : what is wrong with it; never the value itself
    """

    def __init__(self, field: str, reason: str) -> None:
        super().__init__(field, reason)
        self.field = field
        self.reason = reason

    def __str__(self) -> str:
        return f"{self.field} {self.reason}"


class CursorRefused(AirsideError):
    """A cursor that this service did not give out; begin again without one."""

    def __str__(self) -> str:
        return "the cursor is not one that this service gave out; begin again without a cursor"


class ClientStalled(AirsideError):
    """A client took nothing of its answer for too long; the rest was not sent."""


class StoreUnavailable(AirsideError):
    """The database cannot answer just now; nothing was kept or read, or it is not known whether it was.

    Parameters
    ----------
    retry_after : seconds after which it is worth trying again
    """

    def __init__(self, retry_after: int = 5) -> None:
        super().__init__(retry_after)
        self.retry_after = retry_after

    def __str__(self) -> str:
        return f"the database cannot answer just now; try again in {self.retry_after} s"


class StoreRefused(AirsideError):
    """The database answers, but cannot be used as it is; the message says what to change."""


class MigrationRefused(StoreRefused):
    """A migration could not be carried out; the database is as it was before."""


class RoleRefused(StoreRefused):
    """The role the service acts as is superuser or exempt from row-level security, so tenants would mix."""


class EmbeddedServerRefused(StoreRefused):
    """The embedded database server cannot be made or does not start."""
