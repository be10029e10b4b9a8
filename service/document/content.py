"""What each reader is told of one evaluation, as blocks; built once, written in any format."""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from uuid import UUID

import msgspec
from msgspec import UNSET

from service.document.blocks import (
    Block,
    Bullets,
    Document,
    Facts,
    Heading,
    Notice,
    Paper,
    Paragraph,
    Reader,
    Table,
    figure,
)
from service.document.plots import Plot, plots_of
from service.document.resistance import bars_of, resistance
from service.document.svg import FONT
from service.model.evaluation import Evaluation
from service.model.figure import ContextFigures
from service.model.letterhead import Letterhead
from service.model.ruleset import Ruleset
from service.model.units import UnitSystem, UnitTable
from service.wire import response
from service.wire.render import LEAST_STATED, result, trace
from service.wire.request import EvaluationRequest
from service.wire.speech import ENGLISH, Speech
from service.wire.words import NumberWords, context_words, percent_words

MOST_TERMS = 3
"""Error sources told of a quantity, the largest first; the trace has them all."""

TITLES: Mapping[Reader, str] = {
    "customer": "What we found on our visit",
    "technician": "Air-side readings: findings and numbers",
    "office": "Air-side readings: work to plan",
}
SEVERITY_WORDS = {"hazard": "Danger", "fault": "Fault", "advisory": "Advice", "note": "Note"}


class Told(msgspec.Struct, frozen=True, kw_only=True):
    """One evaluation with everything that documents of it rest on, in one language and unit system.

    Attributes:
        evaluation_id, created_at: None for what is not kept.
        answer: as `wire.render.result` writes it.
        trace: as `wire.render.trace` writes it.
        plots: of `document.plots`.
        equipment_label: the client's own words for the equipment.
        font: families of the words of what is drawn.
    """

    answer: response.EvaluationResult
    trace: response.EvaluationTrace
    plots: tuple[Plot, ...]
    rules: Ruleset
    units: UnitTable
    speech: Speech = ENGLISH
    evaluation_id: UUID | None = None
    created_at: datetime | None = None
    equipment_label: str = ""
    letterhead: Letterhead = Letterhead()
    font: str = FONT


def told_of(
    evaluation: Evaluation,
    visit: EvaluationRequest,
    figures: Sequence[ContextFigures],
    rules: Ruleset,
    units: UnitTable,
    system: UnitSystem,
    speech: Speech = ENGLISH,
    *,
    font: str = FONT,
    **more: Any,
) -> Told:
    """What documents of an evaluation rest on; `figures` of its visit, or none where nothing is to be drawn; `more` of
    the fields of `Told`."""
    return Told(
        answer=result(evaluation, rules, units, system, speech),
        trace=trace(evaluation, rules, units, visit, system, speech),
        plots=plots_of(evaluation, figures, rules, units, system, speech, font),
        rules=rules,
        units=units,
        speech=speech,
        equipment_label=visit.equipment.label or "",
        font=font,
        **more,
    )


class _Topic(msgspec.Struct, frozen=True):
    """`checked`: what is said to have been checked, where that is less than the part. `mode`: the one in which alone
    the part can be judged; empty for any."""

    part: str
    fault: str
    advisory: str
    means: str
    recommend: str
    checked: str = ""
    mode: str = ""


class _Measuring(msgspec.Struct, frozen=True):
    topics: list[str]
    part: str
    text: str
    recommend: str


class CustomerWords(msgspec.Struct, frozen=True):
    """The words of customer.toml."""

    topics: dict[str, _Topic]
    measuring: _Measuring
    terms: dict[str, list[str]]
    work: dict[str, str]
    shown: dict[str, str]
    changes: dict[str, dict[str, str]]
    keep_in_mind: list[str]
    rules: dict[str, str]

    def topic_of(self, rule: str, ruleset: Ruleset) -> str:
        """What a rule is about to a customer; the topic that maintainers keep it under unless told otherwise."""
        return self.rules.get(rule) or ruleset.topics.get(rule, "soundness")


@functools.cache
def customer_words() -> CustomerWords:
    """What customers read, by topic."""
    with (Path(__file__).parent / "customer.toml").open("rb") as file:
        return msgspec.convert(tomllib.load(file), CustomerWords)


def short_id(evaluation_id: UUID | None) -> str:
    """The part of an id that tells the time to a millisecond (RFC 9562, version 7); less is alike for a minute."""
    return "" if evaluation_id is None else str(evaluation_id)[:13]


def document(told: Told, reader: Reader, paper: Paper | None = None) -> Document:
    """The document for one reader; on letter paper for inch-pound units, on A4 otherwise, unless asked."""
    say, answer = told.speech.fill, told.answer
    builder = {"customer": CustomerPage, "technician": TechnicianPage, "office": OfficePage}[reader](told)
    version = say("Rules {version}", version=answer.ruleset.version)
    identity = "" if told.evaluation_id is None else say("Evaluation {id}", id=str(told.evaluation_id))
    running = " · ".join(part for part in (told.letterhead.company_name, identity, builder.day(), version) if part)
    return Document(
        title=say(TITLES[reader]),
        language=told.speech.code,
        paper=paper or ("letter" if answer.units == "ip" else "a4"),
        reader=reader,
        blocks=tuple(builder.blocks()),
        running=running,
        page_words=told.speech.say("Page {page} of {pages}"),
        name="-".join(part for part in ("airside", reader, short_id(told.evaluation_id)) if part),
        company=told.letterhead.company_name,
        contact=told.letterhead.contact,
        logo=told.letterhead.logo,
    )


class Page:
    """What the pages of every reader share."""

    def __init__(self, told: Told) -> None:
        self.told = told
        self.answer = told.answer
        self.say = told.speech.fill
        self.numbers = NumberWords(told.rules, told.units, told.answer.units, told.speech)

    def blocks(self) -> Iterator[Block]:
        raise NotImplementedError

    def day(self) -> str:
        moment = self.answer.visited_at or self.told.created_at
        return f"{moment:%Y-%m-%d}" if moment else ""

    def visit(self, *more: tuple[str, str]) -> Facts:
        """What visit it is about."""
        moment = self.answer.visited_at
        rows = [
            ("Visited", f"{moment:%Y-%m-%d %H:%M} (UTC{moment:%z})" if moment else self.say("not stated")),
            ("Site", self.answer.site_reference or ""),
            (
                "Equipment",
                " · ".join(w for w in (self.told.equipment_label, self.answer.equipment_reference or "") if w),
            ),
            ("Job", self.answer.job_reference or ""),
            *more,
        ]
        return Facts(tuple((self.say(name), (text,)) for name, text in rows if text))

    def grouped(self, severities: Iterable[str]) -> list[list[response.FindingView]]:
        """Findings of these severities by severity and code, most serious first."""
        groups: dict[tuple[str, str], list[response.FindingView]] = {}
        for finding in self.answer.findings:
            if finding.severity in severities:
                groups.setdefault((finding.severity, finding.code), []).append(finding)
        return list(groups.values())

    def dangers(self) -> Iterator[Block]:
        """Every hazard in full, with its cautions: the rule's own words, for any reader."""
        cautions = {caution.code: caution.text for caution in self.answer.cautions}
        for group in self.grouped(["hazard"]):
            first = group[0]
            texts = [*dict.fromkeys(finding.summary for finding in group), first.why_it_matters, first.what_to_do]
            named = dict.fromkeys(code for finding in group for code in finding.cautions)
            texts += [cautions[code] for code in named if code in cautions]
            yield Notice(f"{self.say(SEVERITY_WORDS['hazard'])}: {first.title}", tuple(texts))

    def context(self, context: response.ContextView) -> str:
        return context_words(context, self.told.speech)

    def closing(self) -> Iterator[Block]:
        """What stands at the end of every document."""
        if self.told.letterhead.disclaimer:
            yield Paragraph(self.told.letterhead.disclaimer, "small")
        yield Paragraph(self.answer.disclaimer, "small")
        if self.answer.translation_note is not UNSET:
            yield Paragraph(str(self.answer.translation_note), "small")


# Customer --------------------------------------------------------------------------------------------------------


class CustomerPage(Page):
    """Plain words: part by part what was found, what it means, what to do; no term of the trade."""

    def blocks(self) -> Iterator[Block]:
        words = customer_words()
        yield self.visit()
        dangers = list(self.dangers())
        yield from dangers
        topics = self.topics()
        parts = [name for name in words.topics if topics.get(name)]
        measuring = [group for name in words.measuring.topics for group in topics.get(name, [])]
        yield Paragraph(self._lead(bool(dangers), len(parts)), "lead")
        if parts:
            yield Heading(self.say("What we found"))
        for name in parts:
            yield from self._part(words.topics[name], topics[name])
        picture = resistance(bars_of(self.answer, self.told.speech), self.told.speech, self.told.font)
        if picture is not None:
            yield Heading(picture.title)
            yield picture
        good = [group[0].title for name in ("repair",) for group in topics.get(f"{name}:note", [])]
        if good:
            yield Heading(self.say("What the work brought"))
            yield Bullets(
                tuple(title for title in dict.fromkeys(good) if self.plain(title))
                or (self.say("See the technician's page."),)
            )
        if measuring:
            yield Heading(self.say(words.measuring.part))
            yield Paragraph(f"{self.say(words.measuring.text)} {self.say(words.measuring.recommend)}")
        yield from self.checked(words)
        yield from self._next(bool(dangers), parts, bool(measuring))
        yield from self.closing()

    def _lead(self, danger: bool, parts: int) -> str:
        if danger:
            return self.say(
                "Someone could be hurt. Please read what stands above first, and act on it before anything else."
            )
        if parts:
            return self.say(
                "We measured how air moves through your heating and cooling system. This is what needs attention."
            )
        return self.say(
            "We measured how air moves through your heating and cooling system. In what could be checked, nothing was "
            "found that needs work. What was checked, and what was not, is listed below."
        )

    def topics(self) -> dict[str, list[list[response.FindingView]]]:
        """Groups of findings by topic of their first rule; notes under `topic:note`."""
        topics: dict[str, list[list[response.FindingView]]] = {}
        for group in self.grouped(["fault", "advisory", "note"]):
            topic = customer_words().topic_of(group[0].rules[0], self.told.rules)
            key = f"{topic}:note" if group[0].severity == "note" else topic
            topics.setdefault(key, []).append(group)
        return topics

    def plain(self, title: str) -> bool:
        low = title.lower()
        return self.told.speech.code == "en" and not any(term in low for term in customer_words().terms["english"])

    def _part(self, words: _Topic, groups: Sequence[Sequence[response.FindingView]]) -> Iterator[Block]:
        fault = any(group[0].severity == "fault" for group in groups)
        yield Heading(self.say(words.part), 3, self.say("needs work") if fault else self.say("worth a look"), fault)
        found = self.say(words.fault if fault else words.advisory)
        titles = [title for title in dict.fromkeys(group[0].title for group in groups) if self.plain(title)]
        rows = [("What we found", (found, *titles)), ("What it means", (self.say(words.means),))]
        rows.append(("What we recommend", (self.say(words.recommend),)))
        yield Facts(tuple((self.say(name), texts) for name, texts in rows))

    def checked(self, words: CustomerWords) -> Iterator[Block]:
        """Parts of the system of which a rule had all that it asks for, in one state, and those without."""
        decided: dict[tuple[str, str], set[str]] = {}
        for verdict in self.answer.verdicts:
            if verdict.verdict in ("above", "within", "below"):
                state = (verdict.context.state or "", verdict.context.mode or "")
                decided.setdefault(state, set()).add(verdict.criterion)
        checked: dict[str, str] = {}
        known: dict[str, None] = {}
        for rule in self.told.rules.diagnoses.values():
            topic = words.topic_of(rule.id, self.told.rules)
            if topic not in words.topics or topic in ("repair", "trends"):
                continue
            told = words.topics[topic]
            known[self.say(told.part)] = None
            asked = {token.rpartition(".")[0] for token in rule.when} & self.told.rules.criteria.keys()
            of_its_own = asked and not any(token.startswith("conclusion:") for token in rule.when)
            if of_its_own and any(asked <= of for (_, mode), of in decided.items() if told.mode in ("", mode)):
                checked[self.say(told.part)] = self.say(told.checked or told.part)
        yield Heading(self.say("What was checked"))
        if checked:
            yield Bullets(tuple(checked[part] for part in known if part in checked))
        else:
            yield Paragraph(self.say("The readings of this visit were too few to check any part of the system."))
        left = tuple(part for part in known if part not in checked)
        if left:
            yield Heading(self.say("What was not checked on this visit"))
            yield Paragraph(self.say("That nothing is said of these does not mean that they are in order."))
            yield Bullets(left)

    def _next(self, danger: bool, parts: Sequence[str], measuring: bool) -> Iterator[Block]:
        steps = []
        if danger:
            steps.append(
                "Act on the danger first, and let a licensed person and the gas supplier decide what comes then."
            )
        if parts:
            steps.append(
                "Ask us for an offer for the work recommended above; the technician's page tells what it rests on."
            )
        if measuring:
            steps.append("Let us repeat the readings that could not be relied on.")
        if parts:
            steps.append("After the work the same readings are taken again, to show what it brought.")
        if not steps:
            steps.append("Change the filter as its maker says, and have the system measured again on the next visit.")
        yield Heading(self.say("What happens next"))
        yield Bullets(tuple(self.say(step) for step in steps), ordered=True)


# Technician ------------------------------------------------------------------------------------------------------


class TechnicianPage(Page):
    """Everything: numbers with uncertainty, limits with source, evidence, causes, trace."""

    def blocks(self) -> Iterator[Block]:
        yield self.visit(("Judged by", f"{self.answer.ruleset.version} ({self.answer.ruleset.digest[:12]})"))
        yield from self.dangers()
        yield from self._findings()
        yield from self._causes()
        yield from self._next_readings()
        if self.told.plots:
            yield Heading(self.say("Plots"))
            yield from (figure(plot) for plot in self.told.plots)
        yield from self._quantities()
        yield from self._verdicts()
        yield from self._open()
        yield from self.cautions()
        yield from self._trace()
        yield from self.sources()
        yield from self.closing()

    def _findings(self) -> Iterator[Block]:
        yield Heading(self.say("Findings"))
        groups = self.grouped(["hazard", "fault", "advisory", "note"])
        if not groups:
            text = "Nothing was found in what could be judged. Points not judged, listed below: {count}."
            yield Paragraph(self.say(text, count=str(len(self.answer.not_judged))))
        for group in groups:
            first = group[0]
            mark = self.say(SEVERITY_WORDS[first.severity])
            yield Heading(first.title, 3, mark, first.severity in ("hazard", "fault"))
            rows = [
                ("Seen", tuple(self._seen(finding) for finding in group)),
                ("Matters", (first.why_it_matters,)),
                ("Do", (first.what_to_do,)),
                ("Evidence", tuple(dict.fromkeys(text for f in group for text in map(self._evidence, f.evidence)))),
                ("Unless", tuple(dict.fromkeys(alarm for f in group for alarm in f.known_false_alarms))),
                ("Sources", self.titles(dict.fromkeys(key for f in group for key in f.sources))),
            ]
            yield Facts(tuple((self.say(name), texts) for name, texts in rows if texts))

    def _seen(self, finding: response.FindingView) -> str:
        said = f"[{self.context(finding.context)}] {finding.summary}"
        if finding.certainty is not UNSET:
            said += " " + self.say(
                "Certainty {percent}.", percent=percent_words(float(finding.certainty), self.told.speech)
            )
        return said

    def _evidence(self, entry: response.EvidenceView) -> str:
        if entry.probability is UNSET:
            return entry.statement
        return f"{entry.statement} ({percent_words(float(entry.probability), self.told.speech)})"

    def titles(self, keys: Iterable[str]) -> tuple[str, ...]:
        titles = {source.key: source.title for source in self.answer.sources}
        return tuple(titles.get(key, key) for key in keys)

    def _causes(self) -> Iterator[Block]:
        shown = [cause for cause in self.answer.causes if cause.rank <= 3 and (cause.evidence_for or cause.rank == 1)]
        if not shown:
            return
        yield Heading(self.say("What may be behind it"))
        for where, causes in self.by_context(shown):
            rows = [(str(c.rank), c.title, self.say(c.word), c.remedy, self._brings(c)) for c in causes]
            columns = ("Rank", "Cause", "Belief", "Remedy", "Mending it would bring")
            yield Table(where, tuple(map(self.say, columns)), tuple(rows), numeric=(0,))

    def _brings(self, cause: response.SharedCauseView) -> str:
        if not isinstance(cause.mended, response.MendedView):
            return ""
        return "; ".join(
            self.say(
                "{what} from {before} to {after} (± {spread}) {unit}",
                what=gain.title[:1].lower() + gain.title[1:],
                before=self.numbers.number(gain.name, gain.before),
                after=self.numbers.number(gain.name, gain.after),
                spread=self.numbers.number(gain.name, gain.expanded_uncertainty_of_change),
                unit=self.numbers.symbol(gain.name, gain.after),
            ).rstrip()
            for gain in cause.mended.quantities
        )

    def by_context(self, entries: Iterable[Any]) -> list[tuple[str, list[Any]]]:
        groups: dict[str, list[Any]] = {}
        for entry in entries:
            groups.setdefault(self.context(entry.context), []).append(entry)
        return list(groups.items())

    def _next_readings(self) -> Iterator[Block]:
        if not self.answer.next_readings:
            return
        yield Heading(self.say("Next readings, most useful first"))
        criteria = self.told.rules.criteria
        for where, readings in self.by_context(self.answer.next_readings):
            rows = tuple(
                (
                    str(number),
                    reading.title,
                    ", ".join(self.say(criteria[name].title) for name in reading.settles if name in criteria),
                    f"{reading.expected_reduction.bits:.2f}",
                )
                for number, reading in enumerate(readings, start=1)
            )
            columns = ("No.", "Reading", "Settles", "Bits expected")
            yield Table(where, tuple(map(self.say, columns)), rows, numeric=(0, 3))

    def _quantities(self) -> Iterator[Block]:
        yield Heading(self.say("Quantities, with expanded uncertainty (coverage factor 2)"))
        if not self.answer.quantities:
            yield Paragraph(self.say("None could be worked out."))
        for where, quantities in self.by_context(self.answer.quantities):
            rows = tuple(
                (
                    q.title + self.subject(q.subject),
                    self.numbers.number(q.name, q.value, q.expanded_uncertainty),
                    self._spread(q),
                    self.numbers.symbol(q.name, q.value),
                    q.method,
                )
                for q in quantities
            )
            columns = ("Quantity", "Value", "Uncertainty", "Unit", "Method")
            yield Table(where, tuple(map(self.say, columns)), rows, numeric=(1, 2))

    def _spread(self, quantity: response.QuantityView) -> str:
        spread = quantity.expanded_uncertainty
        return f"± {self.numbers.number(quantity.name, spread, spread)}" if spread.value else ""

    def subject(self, subject: object) -> str:
        if not isinstance(subject, str) or not subject:
            return ""
        between = f" {self.say('to')} "
        return f" ({subject.replace('|', between).replace('_', ' ')})"

    def _verdicts(self) -> Iterator[Block]:
        judged = [verdict for verdict in self.answer.verdicts if verdict.verdict != "not_measured"]
        if not judged:
            return
        yield Heading(self.say("Verdicts"))
        for where, verdicts in self.by_context(judged):
            rows = tuple(
                (
                    v.title,
                    self.say(v.verdict.replace("_", " ")),
                    ""
                    if v.value is UNSET
                    else self.numbers.words(v.quantity, _value(v.value), _value(v.expanded_uncertainty)),
                    self.limits(v),
                    self.basis(v),
                )
                for v in verdicts
            )
            columns = ("Criterion", "Verdict", "Value", "Limits", "Source")
            yield Table(where, tuple(map(self.say, columns)), rows)

    def limits(self, verdict: response.VerdictView) -> str:
        if not isinstance(verdict.limits, response.LimitView):
            return ""
        parts = [
            f"{self.say(word)} {self.numbers.words(verdict.quantity, limit)}"
            for word, limit in (("at least", verdict.limits.lower), ("at most", verdict.limits.upper))
            if isinstance(limit, response.Value)
        ]
        for word, probability in (("above", verdict.probability_above), ("below", verdict.probability_below)):
            if isinstance(probability, float) and probability > LEAST_STATED:
                parts.append(f"P({self.say(word)}) {percent_words(probability, self.told.speech)}")
        return ", ".join(parts)

    def basis(self, verdict: response.VerdictView) -> str:
        limits = verdict.limits
        if not isinstance(limits, response.LimitView):
            return ""
        if isinstance(limits.overridden_because, str):
            return self.say("set for this visit: {reason}", reason=limits.overridden_because)
        parts = [*self.titles([limits.source] if isinstance(limits.source, str) else [])]
        parts += [limits.locator] if isinstance(limits.locator, str) else []
        parts += [self.say(limits.checked.replace("_", " "))] if isinstance(limits.checked, str) else []
        return ", ".join(part for part in parts if part)

    def _open(self) -> Iterator[Block]:
        yield Heading(self.say("Not judged"))
        if not self.answer.not_judged:
            yield Paragraph(self.say("Every criterion that applies was judged."))
        for where, entries in self.by_context(self.answer.not_judged):
            rows = tuple((entry.title, entry.detail) for entry in entries)
            yield Table(where, tuple(map(self.say, ("Criterion", "What is missing"))), rows)
        if self.answer.set_aside:
            yield Heading(self.say("Not used"))
            unused = tuple((entry.pointer, entry.detail, entry.remedy) for entry in self.answer.set_aside)
            columns = ("Place in the request", "What was wrong", "Remedy")
            yield Table(self.say("Set aside"), tuple(map(self.say, columns)), unused)

    def cautions(self) -> Iterator[Block]:
        if self.answer.cautions:
            yield Heading(self.say("Cautions"))
            yield Bullets(
                tuple(
                    f"{c.text} " + self.say("(Rests on: {basis}.)", basis=c.rests_on.rstrip("."))
                    for c in self.answer.cautions
                )
            )

    def _trace(self) -> Iterator[Block]:
        if not self.told.trace.quantities:
            return
        yield Heading(self.say("How each number came about"))
        for where, quantities in self.by_context(self.told.trace.quantities):
            rows = tuple(
                (
                    f"{self._title(q.name)}{self.subject(q.subject)}",
                    ", ".join(q.inputs),
                    "; ".join(
                        f"{term.source} {self.numbers.number(q.name, term.contribution)}"
                        for term in sorted(q.error_terms, key=lambda term: -abs(term.contribution.value))[:MOST_TERMS]
                    ),
                )
                for q in quantities
            )
            columns = ("Quantity", "From", "Largest error sources, one standard deviation")
            yield Table(where, tuple(map(self.say, columns)), rows)
        fired = tuple((self.context(one.context), one.rule, ", ".join(one.tokens)) for one in self.told.trace.firings)
        if fired:
            yield Table(self.say("Rules that fired"), tuple(map(self.say, ("State", "Rule", "Tokens"))), fired)

    def _title(self, name: str) -> str:
        known = self.told.rules.quantities.get(name)
        return name if known is None else self.told.speech.say(known.title)

    def sources(self) -> Iterator[Block]:
        if self.answer.sources:
            yield Heading(self.say("Sources"))
            rows = tuple(
                (s.title, s.publisher, s.edition, self.say(s.kind), self.say(s.checked.replace("_", " ")))
                for s in self.answer.sources
            )
            columns = ("Title", "Publisher", "Edition", "Kind", "Checked")
            yield Table(self.say("What limits and findings rest on"), tuple(map(self.say, columns)), rows)


# Office ----------------------------------------------------------------------------------------------------------


class OfficePage(Page):
    """Codes, severities and work to plan, to be entered elsewhere."""

    def blocks(self) -> Iterator[Block]:
        rules = self.answer.ruleset
        counts = {name: len(self.grouped([name])) for name in SEVERITY_WORDS}
        listed = ", ".join(f"{self.say(SEVERITY_WORDS[name])} {count}" for name, count in counts.items() if count)
        yield self.visit(
            ("Evaluation", str(self.told.evaluation_id or self.say("not kept"))),
            ("Findings", listed or self.say("none")),
            ("Rules", f"{rules.version}, {rules.digest}"),
        )
        yield from self.dangers()
        yield from self._findings()
        yield from self.work()
        yield from self.follow_up()
        yield from self.closing()

    def _findings(self) -> Iterator[Block]:
        groups = self.grouped(["hazard", "fault", "advisory", "note"])
        yield Heading(self.say("Findings"))
        if not groups:
            text = "Nothing was found in what could be judged. Points not judged: {count}."
            yield Paragraph(self.say(text, count=str(len(self.answer.not_judged))))
            return
        rows = tuple(
            (
                self.say(SEVERITY_WORDS[group[0].severity]),
                group[0].code,
                group[0].title,
                "; ".join(dict.fromkeys(self.context(finding.context) for finding in group)),
                group[0].what_to_do,
            )
            for group in groups
        )
        columns = ("Severity", "Code", "Finding", "State", "What to do")
        yield Table(self.say("Most serious first"), tuple(map(self.say, columns)), rows)

    def work(self) -> Iterator[Block]:
        """What the likeliest causes ask for, each once."""
        work: dict[str, tuple[response.SharedCauseView, list[str]]] = {}
        for cause in self.answer.causes:
            if cause.rank == 1:
                _, states = work.setdefault(cause.code, (cause, []))
                states.append(self.context(cause.context))
        if work:
            rows = tuple(
                (cause.code, cause.title, self.say(cause.word), cause.remedy, "; ".join(dict.fromkeys(states)))
                for cause, states in work.values()
            )
            columns = ("Code", "Likeliest cause", "Belief", "Work", "State")
            yield Heading(self.say("Recommended work"))
            yield Table(self.say("By the likeliest cause of each state"), tuple(map(self.say, columns)), rows)

    def follow_up(self) -> Iterator[Block]:
        readings = {reading.procedure: reading.title for reading in self.answer.next_readings}
        if readings:
            yield Heading(self.say("Readings for the next visit"))
            columns = tuple(map(self.say, ("Procedure", "Reading")))
            yield Table(self.say("Most useful first, state by state"), columns, tuple(readings.items()))
        count = str(len(self.answer.not_judged))
        yield Paragraph(
            self.say("Points that could not be judged: {count}. The technician's page lists them.", count=count)
        )
        if self.answer.set_aside:
            unused = tuple((entry.pointer, entry.code, entry.remedy) for entry in self.answer.set_aside)
            columns = tuple(map(self.say, ("Place in the request", "Code", "Remedy")))
            yield Heading(self.say("Sent but not used"))
            yield Table(self.say("To be corrected where the visit was entered"), columns, unused)


def _value(value: object) -> Any:
    return value if isinstance(value, response.Value) else None
