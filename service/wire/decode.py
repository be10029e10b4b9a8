"""Bytes of a body to a request, strictly: no number from text, no unknown field, no unit off the list."""

import datetime
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, TypeVar

import msgspec
from msgspec import inspect

from service.model.ruleset import Ruleset
from service.wire.account import AccountSettings, KeyRequest, KeyRotationRequest
from service.wire.batches import BatchLine
from service.wire.erasures import ErasureRequest
from service.wire.faults import YEARS, explain
from service.wire.outcomes import OutcomeRequest
from service.wire.query import Names, names_in_queries
from service.wire.request import (
    MEASURES,
    SERIES_DIMENSIONS,
    Accuracy,
    EvaluationRequest,
    LimitOverride,
    MeasuringRange,
    ProjectionRequest,
    ReassessmentRequest,
    SteadyReadingRequest,
)
from service.wire.revisions import RevisionRequest
from service.wire.webhooks import ReplayRequest, SecretRotationRequest, WebhookRequest

_Check = Callable[[Any], bool]

Asked = TypeVar(
    "Asked",
    EvaluationRequest,
    SteadyReadingRequest,
    ProjectionRequest,
    ReassessmentRequest,
    RevisionRequest,
    ErasureRequest,
    BatchLine,
    OutcomeRequest,
    WebhookRequest,
    SecretRotationRequest,
    ReplayRequest,
    AccountSettings,
    KeyRequest,
    KeyRotationRequest,
)
"""What a body may be decoded to."""


def accepted_units(rulesets: Iterable[Ruleset]) -> dict[type[msgspec.Struct], tuple[str, ...]]:
    """Struct with a field `unit` -> the codes and spellings accepted there, codes first.

    With several versions of the rules installed, those that all of them know, so that what the contract lists is
    accepted whichever version judges. An accuracy and a limit may belong to any kind of number, so theirs are all.
    """
    known = list(rulesets)
    spellings = {
        dimension: tuple(
            spelling
            for spelling in dict.fromkeys(_spellings(known[0], dimension))
            if all(spelling in _spellings(other, dimension) for other in known[1:])
        )
        for dimension in {**MEASURES, **SERIES_DIMENSIONS}.values()
    }
    every = tuple(dict.fromkeys(spelling for listed in spellings.values() for spelling in listed))
    return {
        **{struct: spellings[dimension] for struct, dimension in (*MEASURES.items(), *SERIES_DIMENSIONS.items())},
        Accuracy: every,
        LimitOverride: every,
        MeasuringRange: every,
    }


def _spellings(ruleset: Ruleset, dimension: str) -> list[str]:
    units = ruleset.dimensions[dimension].unit
    return [unit.code for unit in units] + [spelling for unit in units for spelling in unit.spellings]


class RequestDecoder:
    """Decodes bodies for the installed rulesets.

    Parameters
    ----------
    units : as `accepted_units` gives them
    rulesets : installed versions, any of which a request may pin
    names : names that query parameters may have, as `names_in_queries` gives them
    """

    def __init__(
        self,
        units: Mapping[type[msgspec.Struct], tuple[str, ...]],
        rulesets: Sequence[str],
        names: Names,
    ) -> None:
        self.units = dict(units)
        self.rulesets = tuple(rulesets)
        self.names = names
        self._decoders: dict[type, msgspec.json.Decoder[Any]] = {}
        self._checks: dict[type, _Check | None] = {}
        for asked in Asked.__constraints__:
            self._decoders[asked] = msgspec.json.Decoder(asked)
            self._checks[asked] = self._checker(inspect.type_info(asked))

    @classmethod
    def for_rulesets(cls, rulesets: Mapping[str, Ruleset]) -> "RequestDecoder":
        """A decoder for these versions of the rules."""
        newest = max(rulesets, key=lambda name: tuple(int(part) for part in name.split(".")))
        return cls(
            accepted_units(rulesets.values()), tuple(rulesets), names_in_queries(rulesets[newest], tuple(rulesets))
        )

    def decode(self, body: bytes) -> EvaluationRequest:
        """The visit in `body`.

        Raises
        ------
        RequestRefused : naming every fault at once
        """
        return self.decode_as(body, EvaluationRequest)

    def decode_kept(self, body: bytes) -> EvaluationRequest:
        """The visit in a body that was accepted earlier; the version of the rules that it pinned need not be there.

        Raises
        ------
        RequestRefused : it is no longer accepted, naming every fault at once
        """
        try:
            request: EvaluationRequest = self._decoders[EvaluationRequest].decode(body)
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
            raise explain(body, self.units, self.rulesets) from None
        check = self._checks[EvaluationRequest]
        if check is not None and not check(request):
            raise explain(body, self.units, self.rulesets)
        return request

    def decode_as(self, body: bytes, asked: type[Asked]) -> Asked:
        """The request of one kind in `body`.

        Raises
        ------
        RequestRefused : naming every fault at once
        """
        try:
            request: Asked = self._decoders[asked].decode(body)
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
            raise explain(body, self.units, self.rulesets, asked) from None
        check = self._checks[asked]
        # Settings are refused by the account for all that does not fit them, an uninstalled version among it.
        pinned = msgspec.UNSET if asked is AccountSettings else getattr(request, "ruleset", msgspec.UNSET)
        if (pinned is not msgspec.UNSET and pinned not in self.rulesets) or (check is not None and not check(request)):
            raise explain(body, self.units, self.rulesets, asked)
        return request

    def _checker(self, kind: inspect.Type) -> _Check | None:
        """Whether all units, dates and times in a decoded value are accepted; None where there is nothing to check."""
        match kind:
            case inspect.Metadata():
                return self._checker(kind.type)
            case inspect.StructType():
                return self._struct_checker(kind)
            case inspect.UnionType():
                arms = {arm.cls: self._checker(arm) for arm in kind.types if isinstance(arm, inspect.StructType)}
                return lambda value: (check := arms[type(value)]) is None or check(value)
            case inspect.ListType():
                item = self._checker(kind.item_type)
                return None if item is None else lambda value: all(map(item, value))
            case inspect.DateTimeType() | inspect.DateType():
                return _year_accepted
            case _:
                return None

    def _struct_checker(self, kind: inspect.StructType) -> _Check | None:
        parts = tuple((field.name, part) for field in kind.fields if (part := self._checker(field.type)) is not None)
        units = frozenset(self.units.get(kind.cls, ()))
        if not parts and not units:
            return None
        if not parts:
            return lambda value: value.unit in units

        def check(value: Any) -> bool:
            if units and value.unit not in units:
                return False
            for name, part in parts:
                inner = getattr(value, name)
                if inner is not msgspec.UNSET and not part(inner):
                    return False
            return True

        return check


def _year_accepted(value: datetime.date) -> bool:
    return YEARS[0] <= value.year <= YEARS[1]
