"""An evaluation written out as response structs, in one unit system, with the words' numbers filled in."""

from __future__ import annotations

import math
import re
from typing import Any

from msgspec import UNSET, UnsetType

from service.model.evaluation import SEVERITIES, Conclusions, ContextResult, Evaluation, Finding, RankedCause, Verdict
from service.model.quantity import Quantity
from service.model.ruleset import Ruleset
from service.model.units import UnitSystem, UnitTable
from service.model.visit import WHOLE_HOUSE, SteadyReading
from service.wire import response as out
from service.wire.request import EvaluationRequest
from service.wire.speech import ENGLISH, Speech

DISCLAIMER = (
    "This is advice from readings, with its uncertainty stated; it declares no site, appliance or heat exchanger safe. "
    "Local codes, the manufacturer's instructions and licensed practice come first."
)
COVERAGE_FACTOR = 2.0
PLACEHOLDER = re.compile(r"\{([a-z0-9_]+)(?::([a-z]+))?\}")


VERDICT_PHRASES = {
    "above": "{what} {value} is above the limit of {limit}.",
    "below": "{what} {value} is below the limit of {limit}.",
    "within": "{what} {value} is within the limits of {limit}.",
    "undecided": "{what} {value} is too close to the limit to decide ({limit}).",
    "implausible": "{what} {value} is outside what can be true of a house.",
}
NOT_ABOVE = "{what} {value} is not above the limit of {limit}."
NOT_BELOW = "{what} {value} is not below the limit of {limit}."


def result(
    evaluation: Evaluation, rules: Ruleset, units: UnitTable, system: UnitSystem, speech: Speech = ENGLISH
) -> out.EvaluationResult:
    """The evaluation as clients read it, in a unit system and a language."""
    say = speech.say
    writers = _writers(evaluation, rules, units, system, speech)
    findings = [finding for writer in writers for finding in writer.findings()]
    findings.sort(key=lambda finding: -SEVERITIES.index(finding.severity))
    return out.EvaluationResult(
        ruleset=out.RulesetReference(version=evaluation.ruleset_version, digest=evaluation.ruleset_digest),
        units=system,
        findings=findings,
        causes=[cause for writer in writers for cause in writer.causes()],
        quantities=[quantity for writer in writers for quantity in writer.quantities()],
        verdicts=[verdict for writer in writers for verdict in writer.verdicts()],
        not_judged=[entry for writer in writers for entry in writer.not_judged()],
        next_readings=[entry for writer in writers for entry in writer.next_readings()],
        cautions=[
            out.CautionView(
                code=c.code,
                text=say(c.text),
                rests_on=say(c.rests_on),
                title=say(c.title) if c.title else UNSET,
                checked=c.checked or UNSET,
            )
            for c in evaluation.cautions
        ],
        sources=[
            out.SourceView(
                key=s.key, title=s.title, kind=s.kind, publisher=s.publisher, edition=s.edition, checked=s.checked
            )
            for s in evaluation.sources
        ],
        set_aside=[
            out.SetAsideView(pointer=entry.pointer, code=entry.code, detail=say(entry.detail), remedy=say(entry.remedy))
            for entry in evaluation.set_aside
        ],
        disclaimer=say(DISCLAIMER),
        language=speech.code,
        translation_note=speech.note or UNSET,
        highest_severity=evaluation.highest_severity or UNSET,
        visited_at=evaluation.visited_at or UNSET,
        site_reference=evaluation.site_reference or UNSET,
        job_reference=evaluation.job_reference or UNSET,
        equipment_reference=evaluation.equipment_reference or UNSET,
    )


def trace(
    evaluation: Evaluation,
    rules: Ruleset,
    units: UnitTable,
    request: EvaluationRequest,
    system: UnitSystem,
    speech: Speech = ENGLISH,
) -> out.EvaluationTrace:
    """How each number and each finding came about."""
    writers = _writers(evaluation, rules, units, system, speech)
    return out.EvaluationTrace(
        ruleset=out.RulesetReference(version=evaluation.ruleset_version, digest=evaluation.ruleset_digest),
        request=request,
        quantities=[quantity for writer in writers for quantity in writer.traced()],
        verdicts=[verdict for writer in writers for verdict in writer.verdicts()],
        observations=sorted({token for part in evaluation.parts for token in part.observations}),
        firings=[firing for writer in writers for firing in writer.firings()],
    )


def steady_result(reading: SteadyReading, rules: Ruleset, units: UnitTable) -> out.SteadyReadingResult:
    """A series as clients read it, in the unit that its samples came in."""
    scale = units.scales[reading.dimension][reading.unit]
    difference_of = "temperature_difference" if reading.dimension == "temperature" else reading.dimension
    of_differences = next(
        other.code for other in units.scales[difference_of].values() if math.isclose(other.factor, scale.factor)
    )
    said = reading.steadiness

    def level(number: float) -> out.Value:
        return out.Value(value=rounded((number - scale.offset) / scale.factor), unit=scale.code)

    def spread(number: float) -> out.Value:
        return out.Value(value=rounded(number / scale.factor), unit=of_differences)

    def seconds(number: float) -> out.Value:
        return out.Value(value=rounded(number), unit="s")

    return out.SteadyReadingResult(
        ruleset=out.RulesetReference(version=rules.release.version, digest=rules.digest),
        verdict=said.verdict,
        settled=said.settled,
        value=level(reading.value),
        expanded_uncertainty=spread(COVERAGE_FACTOR * reading.uncertainty),
        coverage_factor=COVERAGE_FACTOR,
        tolerance=spread(reading.tolerance),
        samples=said.samples,
        left_out=said.left_out,
        effective_samples=rounded(said.effective_samples),
        duration=seconds(said.duration),
        mean=level(said.mean),
        median=level(said.median),
        standard_deviation=spread(said.standard_deviation),
        drift=spread(said.drift),
        drift_probability=stated_probability(1.0 - said.slope_probability),
        dominated_by=said.dominated_by or UNSET,
        further_time=UNSET if said.further_seconds is None else seconds(said.further_seconds),
    )


def rounded(value: float) -> float:
    """Six significant figures: more than any reading carries, fewer than a float prints."""
    return float(f"{value:.6g}")


LEAST_STATED = 0.001
"""The smallest probability that is stated; what is less may be anything."""


def stated_probability(probability: float) -> float:
    """Three decimals, and never 0 or 1: the uncertainty model itself may be wrong."""
    return min(max(round(probability, 3), LEAST_STATED), 1.0 - LEAST_STATED)


def _probability(probability: float | None) -> float | UnsetType:
    return UNSET if probability is None else stated_probability(probability)


def _one_stop(sentence: str) -> str:
    """A unit that ends with a stop also ends the sentence."""
    return sentence.replace("w.c..", "w.c.").replace("in..", "in.")


def _optional(number: float | None) -> float | UnsetType:
    return UNSET if number is None else rounded(number)


def _writers(
    evaluation: Evaluation, rules: Ruleset, units: UnitTable, system: UnitSystem, speech: Speech
) -> list[_Writer]:
    return [_Writer(part, rules, units, system, speech, evaluation.whole_house) for part in evaluation.parts]


class _Writer:
    """Writes one context, or the whole house. What the house tells is known to every context."""

    def __init__(
        self,
        context: Conclusions,
        rules: Ruleset,
        units: UnitTable,
        system: UnitSystem,
        speech: Speech = ENGLISH,
        house: Conclusions | None = None,
    ) -> None:
        self.speech = speech
        self.say = speech.say
        self.context = context
        self.rules = rules
        self.units = units
        self.system: UnitSystem = system
        self._statements: dict[str, str] = {}
        self.by_name: dict[str, Quantity] = {}
        self.known = (context,) if house is None or house is context else (context, house)
        for quantity in (quantity for part in self.known for quantity in part.quantities):
            self.by_name.setdefault(quantity.name, quantity)
        self.by_criterion: dict[str, Verdict] = {}
        self.by_token: dict[str, Verdict] = {}
        for verdict in (verdict for part in self.known for verdict in part.verdicts):
            self.by_criterion.setdefault(verdict.criterion, verdict)
            self.by_token.setdefault(verdict.token, verdict)
        if isinstance(context, ContextResult):
            state = context.state
            self.where = out.ContextView(
                state=state.id,
                mode=state.mode or UNSET,
                speed_setting=state.speed_setting or UNSET,
                area=context.area or UNSET,
            )
        else:
            self.where = out.ContextView(state=WHOLE_HOUSE.id, whole_house=True)

    # Numbers ---------------------------------------------------------------------------------------------------

    def value(self, name: str, number: float) -> out.Value:
        shown, code = self.units.shown(self.rules.quantities[name].dimension, number, self.system)
        return out.Value(value=rounded(shown), unit=code)

    def spread(self, name: str, number: float) -> out.Value:
        shown, code = self.units.shown_difference(self.rules.quantities[name].dimension, number, self.system)
        return out.Value(value=rounded(shown), unit=code)

    def interval(self, name: str, number: float, sides: tuple[float, float]) -> out.CoverageInterval:
        below, above = (COVERAGE_FACTOR * side for side in sides)
        return out.CoverageInterval(low=self.value(name, number - below), high=self.value(name, number + above))

    def words(self, name: str, number: float, uncertainty: float | None = None) -> str:
        dimension = self.rules.quantities[name].dimension
        return self._said(self.units.words(dimension, number, self.system, uncertainty), dimension)

    def _said(self, shown: str, dimension: str) -> str:
        """A number with its unit, both in the language: units with words in them, such as `times`, are texts."""
        symbol = self.units.display[dimension][self.system].scale.symbol
        number = shown.removesuffix(symbol)
        said = self.say(number.rstrip()) + number[len(number.rstrip()) :] if number.startswith("less than ") else number
        return said + self.say(symbol) if symbol and shown.endswith(symbol) else said

    def fill(self, text: str) -> str:
        """A text with its `{quantity}`, `{quantity:u}`, `{criterion:lower}` and `{criterion:upper}` filled in."""
        return _one_stop(PLACEHOLDER.sub(self._placeholder, self.say(text)))

    def _placeholder(self, match: re.Match[str]) -> str:
        name, end = match.group(1), match.group(2)
        if end in ("lower", "upper"):
            verdict = self.by_criterion.get(name)
            limit = None if verdict is None else (verdict.lower if end == "lower" else verdict.upper)
            return self.say("its limit") if verdict is None or limit is None else self.words(verdict.quantity, limit)
        quantity = self.by_name.get(name)
        if quantity is None:
            return self.say("not measured")
        return self.words(name, quantity.value, quantity.uncertainty if end == "u" else None)

    # Parts -----------------------------------------------------------------------------------------------------

    def quantities(self) -> list[out.QuantityView]:
        return [
            out.QuantityView(
                name=q.name,
                title=self.say(self.rules.quantities[q.name].title),
                context=self.where,
                value=self.value(q.name, q.value),
                expanded_uncertainty=self.spread(q.name, COVERAGE_FACTOR * q.uncertainty),
                coverage_factor=COVERAGE_FACTOR,
                coverage_interval=UNSET if q.sides is None else self.interval(q.name, q.value, q.sides),
                method=self.say(q.method),
                subject=q.subject or UNSET,
            )
            for q in self.context.quantities
        ]

    def traced(self) -> list[out.TracedQuantity]:
        return [
            out.TracedQuantity(
                name=q.name,
                context=self.where,
                value=self.value(q.name, q.value),
                standard_uncertainty=self.spread(q.name, q.uncertainty),
                method=self.say(q.method),
                inputs=list(q.inputs),
                error_terms=[
                    out.ErrorTermView(source=source, contribution=self.spread(q.name, term))
                    for source, term in sorted(q.terms.items(), key=lambda item: -abs(item[1]))
                ],
                subject=q.subject or UNSET,
            )
            for q in self.context.quantities
        ]

    def verdicts(self) -> list[out.VerdictView]:
        return [self.verdict(verdict) for verdict in self.context.verdicts]

    def verdict(self, v: Verdict) -> out.VerdictView:
        quantity = self._judged(v)
        limits: out.LimitView | UnsetType = UNSET
        if v.lower is not None or v.upper is not None:
            limits = out.LimitView(
                lower=UNSET if v.lower is None else self.value(v.quantity, v.lower),
                upper=UNSET if v.upper is None else self.value(v.quantity, v.upper),
                source=v.source or UNSET,
                locator=v.locator or UNSET,
                checked=v.checked or UNSET,
                overridden_because=v.overridden or UNSET,
            )
        return out.VerdictView(
            criterion=v.criterion,
            title=self.say(self.rules.criteria[v.criterion].title),
            context=self.where,
            quantity=v.quantity,
            verdict=v.verdict,
            subject=v.subject or UNSET,
            value=UNSET if quantity is None else self.value(v.quantity, quantity.value),
            expanded_uncertainty=UNSET
            if quantity is None
            else self.spread(v.quantity, COVERAGE_FACTOR * quantity.uncertainty),
            limits=limits,
            probability_above=_probability(v.probability_above),
            probability_below=_probability(v.probability_below),
            decision_rule=v.decision_rule or UNSET,
            confidence=_optional(v.confidence),
            counted_as_exceeded_by_precaution=v.precaution,
        )

    def _judged(self, v: Verdict) -> Quantity | None:
        if v.subject is not None:
            for quantity in (quantity for part in self.known for quantity in part.quantities):
                if quantity.name == v.quantity and quantity.subject == v.subject:
                    return quantity
        return self.by_name.get(v.quantity)

    def statement(self, token: str) -> str:
        """A token in words; several findings and causes rest on one token."""
        if token not in self._statements:
            self._statements[token] = self._stated(token)
        return self._statements[token]

    def _stated(self, token: str) -> str:
        """A token in words: a number against its limit, an observation, or another conclusion."""
        verdict = self.by_token.get(token)
        if verdict is not None:
            return self._verdict_words(verdict)
        observation = self.rules.observations.get(token)
        if observation is not None:
            return self.say(observation.meaning)
        return self._conclusion_words(token)

    def _verdict_words(self, v: Verdict) -> str:
        what = self.say(self.rules.quantities[v.quantity].title)
        quantity = self._judged(v)
        if v.verdict == "not_measured" or quantity is None:
            return self.speech.fill("{what} was not measured.", what=what)
        value = self.words(v.quantity, quantity.value, quantity.uncertainty)
        lower = None if v.lower is None else self.words(v.quantity, v.lower)
        upper = None if v.upper is None else self.words(v.quantity, v.upper)
        limit, phrase = upper or lower or "", VERDICT_PHRASES.get(v.verdict, VERDICT_PHRASES["implausible"])
        if v.verdict == "below" and lower is not None:
            limit = lower
        elif v.verdict == "within" and (lower is None or upper is None):
            phrase = NOT_ABOVE if lower is None else NOT_BELOW
        elif v.verdict in ("within", "undecided") and v.lower is not None and v.upper is not None:
            dimension = self.rules.quantities[v.quantity].dimension
            low, high = self.units.range_words(dimension, v.lower, v.upper, self.system)
            limit = f"{low} {self.say('to')} {self._said(high, dimension)}"
        return _one_stop(self.speech.fill(phrase, what=what, value=value, limit=limit))

    def _conclusion_words(self, token: str) -> str:
        wanted = token.removeprefix("conclusion:")
        titles = [rule.title for rule in self.rules.diagnoses.values() if (rule.concludes or rule.id) == wanted]
        return self.speech.fill("It follows that: {what}.", what=self.say(titles[0])) if titles else token

    def findings(self) -> list[out.FindingView]:
        return [self._finding(finding) for finding in self.context.findings]

    def _finding(self, f: Finding) -> out.FindingView:
        return out.FindingView(
            code=f.code,
            severity=f.severity,
            title=self.say(f.title),
            context=self.where,
            summary=self.fill(f.summary),
            why_it_matters=self.fill(f.why_it_matters),
            what_to_do=self.fill(f.what_to_do),
            rules=list(f.rules),
            evidence=[self._evidence(token) for token in f.evidence],
            certainty=_probability(f.certainty),
            causes=[out.CauseView(**self._cause(cause)) for cause in f.causes],
            next_readings=list(f.next_readings),
            cautions=list(f.cautions),
            sources=list(f.sources),
            known_false_alarms=[self.say(text) for text in f.known_false_alarms],
        )

    def causes(self) -> list[out.SharedCauseView]:
        return [
            out.SharedCauseView(
                **self._cause(cause),
                context=self.where,
                explains=list(cause.explains),
                mended=self._mended(cause.cause),
            )
            for cause in self.context.causes
        ]

    def _cause(self, cause: RankedCause) -> dict[str, Any]:
        return {
            "code": cause.cause,
            "title": self.say(cause.title),
            "remedy": self.say(cause.remedy),
            "rank": cause.rank,
            "belief": round(cause.belief, 4),
            "word": cause.word,
            "score": round(cause.score, 2),
            "evidence_for": [self.statement(token) for token in cause.evidence_for],
            "evidence_against": [self.statement(token) for token in cause.evidence_against],
            "not_yet_known": list(cause.not_yet_known),
            "separated_by": cause.separated_by or UNSET,
            "projected_gain": UNSET if cause.projected_gain is None else self.value("airflow", cause.projected_gain),
        }

    def _mended(self, name: str) -> out.MendedView | UnsetType:
        """What mending a cause would bring; nothing where the rules give no fix for it."""
        cause = self.rules.causes.get(name)
        gain = None if cause is None or cause.fix is None else self.context.gains.get(cause.fix)
        if gain is None:
            return UNSET
        fix = self.rules.fixes[gain.fix]
        return out.MendedView(
            fix=gain.fix,
            title=self.say(fix.title),
            meaning=self.say(fix.meaning),
            quantities=[
                out.GainView(
                    name=entry.name,
                    title=self.say(self.rules.quantities[entry.name].title),
                    before=self.value(entry.name, entry.before),
                    after=self.value(entry.name, entry.after),
                    change=self.spread(entry.name, entry.change),
                    expanded_uncertainty_of_change=self.spread(entry.name, COVERAGE_FACTOR * entry.uncertainty),
                    coverage_factor=COVERAGE_FACTOR,
                )
                for entry in gain.quantities
            ],
            notes=[self.say(note) for note in gain.notes],
            not_projected=[
                out.NotProjectedView(
                    quantity=entry.subject,
                    reason=self.say(entry.reason),
                    missing=[self.say(text) for text in entry.missing],
                )
                for entry in gain.not_projected
            ],
        )

    def _evidence(self, token: str) -> out.EvidenceView:
        verdict = self.by_token.get(token)
        return out.EvidenceView(
            token=token,
            statement=self.statement(token),
            criterion=UNSET if verdict is None else verdict.criterion,
            probability=UNSET if verdict is None else _probability(verdict.probability),
        )

    def not_judged(self) -> list[out.NotJudgedView]:
        return [
            out.NotJudgedView(
                criterion=entry.criterion,
                title=self.say(entry.title),
                context=self.where,
                quantity=entry.quantity,
                reason=entry.reason,
                detail=self.say(entry.detail),
                missing=[self.say(text) for text in entry.missing],
                procedures=list(entry.procedures),
            )
            for entry in self.context.not_judged
        ]

    def next_readings(self) -> list[out.NextReadingView]:
        return [
            out.NextReadingView(
                procedure=entry.procedure,
                title=self.say(entry.title),
                context=self.where,
                settles=list(entry.settles),
                expected_reduction=out.ReductionView(
                    bits=round(entry.expected_reduction.bits, 4),
                    causes=round(entry.expected_reduction.causes, 4),
                    verdicts=round(entry.expected_reduction.verdicts, 4),
                    findings=round(entry.expected_reduction.findings, 4),
                ),
                separates=list(entry.separates),
                station=entry.station or UNSET,
                cautions=list(entry.cautions),
            )
            for entry in self.context.next_readings
        ]

    def firings(self) -> list[out.TracedFiring]:
        return [
            out.TracedFiring(
                context=self.where, rule=rule, conclusion=conclusion, tokens=list(self.rules.diagnoses[rule].when)
            )
            for rule, conclusion in self.context.firings
            if self.context is self.known[-1] or (rule, conclusion) not in self.known[-1].firings
        ]
