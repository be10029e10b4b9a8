"""What the pipeline concludes: verdicts, findings and the evaluation that holds them, in SI units.

Words carry `{quantity.name}` placeholders; they are filled with numbers in the unit system asked for only when
the evaluation is written to the wire, so that one kept evaluation can be read in either system.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Literal

import msgspec

from service.model.projection import Gain
from service.model.quantity import Quantity
from service.model.visit import SetAside, State

VerdictToken = Literal["above", "within", "below", "undecided", "not_measured", "implausible"]
DecisionRule = Literal["simple", "guarded", "precautionary"]
Severity = Literal["note", "advisory", "fault", "hazard"]
SEVERITIES: tuple[Severity, ...] = ("note", "advisory", "fault", "hazard")
"""From least to most serious."""


class Verdict(msgspec.Struct, frozen=True, omit_defaults=True):
    """One criterion applied to one quantity.

    Attributes:
        criterion: id of the criterion.
        quantity: name of the quantity judged.
        verdict: `above`, `within`, `below`, `undecided`, `not_measured` or `implausible`.
        token: what the reasoning sees, `<criterion>.<verdict>`.
        lower, upper: limits in force, SI; absent where there is none.
        probability_above, probability_below: probability that the true value lies beyond that limit.
        decision_rule, confidence: how the verdict was reached.
        source, locator, checked: where the limit comes from and how it was checked.
        overridden: the client's reason, where the client gave its own limit.
        precaution: True where an undecided value was counted as exceeded to be on the safe side.
    """

    criterion: str
    quantity: str
    verdict: VerdictToken
    token: str
    subject: str | None = None
    lower: float | None = None
    upper: float | None = None
    probability_above: float | None = None
    probability_below: float | None = None
    decision_rule: DecisionRule | None = None
    confidence: float | None = None
    source: str | None = None
    locator: str | None = None
    checked: str | None = None
    overridden: str | None = None
    precaution: bool = False

    @property
    def probability(self) -> float | None:
        """Probability that an above, below or within verdict is true; None for any other."""
        above, below = self.probability_above, self.probability_below
        if self.verdict == "above":
            return above
        if self.verdict == "below":
            return below
        if self.verdict == "within" and (above is not None or below is not None):
            return 1.0 - (above or 0.0) - (below or 0.0)
        return None


class RankedCause(msgspec.Struct, frozen=True, omit_defaults=True):
    """A possible cause with the evidence for and against it.

    Attributes:
        rank: from 1; causes that the readings cannot tell apart share a rank.
        belief: 0 to 1, share of all candidates and of causes that are not listed; judgement, no frequency.
        word: the rules' word for that belief.
        score: weight of the evidence in bits, positive for the cause, negative against it.
        separated_by: for a cause that shares its rank, the procedure that would best tell it from the others.
        explains: codes of the findings that name it; only where the causes of a whole context are ranked.
        projected_gain: airflow that mending it would add, m3/s, best estimate; among causes of one rank the largest
            comes first.
    """

    cause: str
    title: str
    remedy: str
    rank: int
    belief: float
    word: str
    score: float
    evidence_for: tuple[str, ...] = ()
    evidence_against: tuple[str, ...] = ()
    not_yet_known: tuple[str, ...] = ()
    separated_by: str | None = None
    explains: tuple[str, ...] = ()
    projected_gain: float | None = None


class Reduction(msgspec.Struct, frozen=True):
    """What a reading is expected to bring, in bits: information about the causes, weighted by how grave their findings
    are; open comparisons that it settles; findings whose rule asks for it."""

    causes: float
    verdicts: float
    findings: float

    @property
    def bits(self) -> float:
        """All of it."""
        return self.causes + self.verdicts + self.findings


class NextReading(msgspec.Struct, frozen=True, omit_defaults=True):
    """A reading worth taking next: which procedure, what it would settle, and which causes it would tell apart."""

    procedure: str
    title: str
    settles: tuple[str, ...]
    expected_reduction: Reduction
    separates: tuple[str, ...] = ()
    station: str | None = None
    cautions: tuple[str, ...] = ()


class Finding(msgspec.Struct, frozen=True, omit_defaults=True):
    """One conclusion put into words, with everything it rests on."""

    code: str
    severity: Severity
    title: str
    summary: str
    why_it_matters: str
    what_to_do: str
    rules: tuple[str, ...]
    evidence: tuple[str, ...]
    certainty: float | None = None
    causes: tuple[RankedCause, ...] = ()
    next_readings: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    known_false_alarms: tuple[str, ...] = ()


class NotJudged(msgspec.Struct, frozen=True, omit_defaults=True):
    """A criterion that could not be applied, and the reading or rating that is missing."""

    criterion: str
    quantity: str
    title: str
    reason: Literal["not_measured", "undecided", "implausible", "no_limit"]
    detail: str
    missing: tuple[str, ...] = ()
    procedures: tuple[str, ...] = ()


class Conclusions(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """Everything concluded from records that belong together; `gains` by fix, where causes have one."""

    quantities: tuple[Quantity, ...]
    verdicts: tuple[Verdict, ...]
    observations: tuple[str, ...]
    findings: tuple[Finding, ...]
    causes: tuple[RankedCause, ...]
    not_judged: tuple[NotJudged, ...]
    next_readings: tuple[NextReading, ...]
    firings: tuple[tuple[str, str], ...]
    gains: Mapping[str, Gain] = {}


class ContextResult(Conclusions, frozen=True, omit_defaults=True, kw_only=True):
    """Everything concluded for one operating state and one area of the house.

    What the whole house says already in the same words is not in here, though this context rests on it as well.
    """

    state: State
    area: str | None


class CautionText(msgspec.Struct, frozen=True):
    """A caution as shown; `title` and `checked` are empty in evaluations kept before they had one."""

    code: str
    text: str
    rests_on: str
    title: str = ""
    checked: str = ""


class SourceText(msgspec.Struct, frozen=True, omit_defaults=True):
    """A source as cited."""

    key: str
    title: str
    kind: str
    publisher: str
    edition: str
    checked: str


class Evaluation(msgspec.Struct, frozen=True, omit_defaults=True):
    """The whole answer to one visit.

    `whole_house` holds what follows from records that belong to no state, told once: leakage tests, appliances,
    ventilation, duct runs, weather, the house itself. None where there is nothing of the kind.
    """

    ruleset_version: str
    ruleset_digest: str
    contexts: tuple[ContextResult, ...]
    cautions: tuple[CautionText, ...]
    sources: tuple[SourceText, ...]
    set_aside: tuple[SetAside, ...]
    visited_at: datetime.datetime | None = None
    site_reference: str | None = None
    job_reference: str | None = None
    equipment_reference: str | None = None
    service_version: str | None = None
    whole_house: Conclusions | None = None

    @property
    def parts(self) -> tuple[Conclusions, ...]:
        """The whole house, then the contexts."""
        return self.contexts if self.whole_house is None else (self.whole_house, *self.contexts)

    @property
    def highest_severity(self) -> Severity | None:
        """The most serious severity among all findings; None where there is none."""
        found = self.gravest.values()
        return max(found, key=SEVERITIES.index) if found else None

    @property
    def gravest(self) -> dict[str, Severity]:
        """Each code that was found -> the most serious severity it had, in the order of the parts."""
        found: dict[str, Severity] = {}
        for part in self.parts:
            for finding in part.findings:
                known = found.setdefault(finding.code, finding.severity)
                found[finding.code] = max(known, finding.severity, key=SEVERITIES.index)
        return found
