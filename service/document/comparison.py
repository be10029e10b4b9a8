"""What each reader is told of two visits held against each other, as blocks; built once, written in any format."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Literal, get_args

import msgspec
from msgspec import UNSET

from service.document.blocks import Block, Bullets, Document, Facts, Heading, Notice, Paper, Paragraph, Reader, Table
from service.document.blocks import figure as drawn_figure
from service.document.content import (
    SEVERITY_WORDS,
    CustomerPage,
    OfficePage,
    TechnicianPage,
    Told,
    customer_words,
    short_id,
    told_of,
)
from service.document.plots import Plot, air_paths_of_both
from service.document.resistance import bars_of, resistance
from service.document.svg import FONT
from service.model.comparison import Basis, Fate, JudgedComparison, VisitComparison
from service.model.figure import ContextFigures
from service.model.letterhead import Letterhead
from service.model.ruleset import Ruleset
from service.model.units import UnitSystem, UnitTable
from service.wire import response
from service.wire.comparison import (
    CORRECTED,
    JUDGED_BY_OTHERS,
    NO_REFERENCE,
    ComparedQuantityView,
    ComparedVisit,
    ComparisonWriter,
    ContextComparisonView,
    FindingFateView,
    notes_of,
)
from service.wire.request import EvaluationRequest
from service.wire.speech import ENGLISH, Speech
from service.wire.words import percent_words

TITLES: Mapping[Reader, str] = {
    "customer": "What changed between our two visits",
    "technician": "Two visits compared: findings and numbers",
    "office": "Two visits compared: work and what came of it",
}
GRADED = ("hazard", "fault", "advisory")
NOW: frozenset[Fate] = frozenset({"still_there", "new", "not_judged_before"})
THEN: frozenset[Fate] = frozenset({"still_there", "resolved", "no_longer_judged"})
FATE_MARKS: Mapping[Fate, str] = {
    "resolved": "resolved",
    "new": "new",
    "still_there": "still there",
    "no_longer_judged": "no longer judged",
    "not_judged_before": "not judged before",
}
SINCE: Mapping[Fate, str] = {
    "still_there": "This was found on the earlier visit as well.",
    "resolved": "Some of what was found before is solved.",
    "no_longer_judged": "Some of what was found before could not be checked again.",
    "new": "Something is new since the earlier visit.",
    "not_judged_before": "Something was not checked on the earlier visit, and is found now.",
}
"""What customers read of a part of the house that needs attention now, by what became of its findings."""
NOT_LOOKED_AT = (
    "Found on the earlier visit. This visit does not tell whether it is still so. That is no all-clear: act as if it "
    "were still so."
)
CLEARS_NOTHING = "Measured again, and not found on this visit. That clears it for no other day."
NEVER_CLEARED = frozenset({"combustion"})
"""Topics of which one day's measurement says nothing for the next."""
SINCE_ALONE: Mapping[Fate, str] = {
    "new": "The earlier visit checked this as well, and did not find it.",
    "not_judged_before": "The earlier visit did not check this.",
}
"""The same where nothing else became of the part."""
BASES: Mapping[Basis, str] = {
    "as_worked_out": "as worked out",
    "at_equal_density": "at equal density",
    "at_equal_flow_and_density": "at equal flow and density",
}
WEAKER: Mapping[str, str] = {
    NO_REFERENCE: "Not both visits name the equipment that they were about. We take it to be the same.",
    CORRECTED: "One of the two visits has been corrected since. Ask us for this page made anew.",
    JUDGED_BY_OTHERS: "Both visits were worked out anew by the same rules, so that some things may read otherwise than "
    "on the pages you have.",
}
"""Note of a comparison -> what customers read of it."""
NO_LETTERHEAD = Letterhead()


class ComparisonTold(msgspec.Struct, frozen=True, kw_only=True):
    """Two visits held against each other, with everything that documents of it rest on.

    Attributes:
        before, after: each visit by itself, both by the version of the rules that the comparison is by; the letterhead
            is that of `after`.
        plots: pressure along the air path of both visits, in pairs.
        notes: of `wire.comparison.notes_of`.
        kept_by: versions of the rules that judged the visits when they were kept; empty for what is not kept.
        done_on: kind of work -> day, where the later visit states one.
    """

    found: VisitComparison
    before: Told
    after: Told
    plots: tuple[Plot, ...] = ()
    notes: tuple[str, ...] = ()
    kept_by: tuple[str, ...] = ()
    done_on: dict[str, str] = {}


def told_of_both(
    judged: JudgedComparison,
    visits: tuple[EvaluationRequest, EvaluationRequest],
    figures: tuple[Sequence[ContextFigures], Sequence[ContextFigures]],
    rules: Ruleset,
    units: UnitTable,
    system: UnitSystem,
    speech: Speech = ENGLISH,
    *,
    kept: tuple[ComparedVisit, ComparedVisit] | None = None,
    letterhead: Letterhead = NO_LETTERHEAD,
    font: str = FONT,
) -> ComparisonTold:
    """What documents of a comparison rest on; `figures` of both visits, or none where nothing is to be drawn; `kept`
    what is told of kept visits beside it."""
    found = judged.comparison
    before, after = (
        told_of(
            evaluation,
            visit,
            (),
            rules,
            units,
            system,
            speech,
            font=font,
            letterhead=letterhead,
            evaluation_id=None if kept is None else kept[place].evaluation_id,
            created_at=None if kept is None else kept[place].created_at,
        )
        for place, (evaluation, visit) in enumerate(zip((judged.before, judged.after), visits, strict=True))
    )
    one, other = ({(entry.state.id, entry.area): entry for entry in drawn} for drawn in figures)
    pairs = [
        (one[then], other[now])
        for context in found.contexts
        if (then := (context.state_before.id, context.area)) in one
        and (now := (context.state_after.id, context.area)) in other
    ]
    named = (judged.before.equipment_reference, judged.after.equipment_reference)
    return ComparisonTold(
        found=found,
        before=before,
        after=after,
        plots=air_paths_of_both(pairs, rules, units, system, speech, font),
        notes=notes_of(found, named, kept or ()),
        kept_by=tuple(visit.ruleset_version for visit in kept or ()),
        done_on={work.kind: work.done_on.isoformat() for work in visits[1].work_done if work.done_on is not UNSET},
    )


def comparison_document(told: ComparisonTold, reader: Reader, paper: Paper | None = None) -> Document:
    """The document for one reader; on letter paper for inch-pound units, on A4 otherwise, unless asked."""
    speech, after = told.after.speech, told.after
    pages: dict[Reader, type[_Both]] = {"customer": _Customer, "technician": _Technician, "office": _Office}
    page = pages[reader](told)
    ids = [short_id(visit.evaluation_id) for visit in (told.before, after) if visit.evaluation_id is not None]
    identity = speech.fill("Evaluations {ids}", ids=", ".join(ids)) if ids else ""
    version = speech.fill("Rules {version}", version=told.found.ruleset_version)
    head = after.letterhead
    return Document(
        title=speech.say(TITLES[reader]),
        language=speech.code,
        paper=paper or ("letter" if after.answer.units == "ip" else "a4"),
        reader=reader,
        blocks=tuple(page.blocks()),
        running=" · ".join(part for part in (head.company_name, identity, page.days(), version) if part),
        page_words=speech.say("Page {page} of {pages}"),
        name="-".join(("airside", "comparison", reader, *ids)),
        company=head.company_name,
        contact=head.contact,
        logo=head.logo,
    )


class FoundFate(msgspec.Struct, frozen=True):
    """What became of a finding, and the contexts of both visits that it belongs to; None where there is none."""

    view: FindingFateView
    before: response.ContextView | None
    after: response.ContextView | None


class _Both:
    """What the pages of every reader share."""

    def __init__(self, told: ComparisonTold) -> None:
        self.told, self.found, self.speech = told, told.found, told.after.speech
        self.say = self.speech.fill
        self.before, self.after = TechnicianPage(told.before), TechnicianPage(told.after)
        self.numbers = self.after.numbers
        writer = ComparisonWriter(told.after.rules, told.after.units, told.after.answer.units, self.speech)
        self.contexts = [writer.context(context) for context in told.found.contexts]
        self.verdict = writer.verdict(told.found.verdict)
        self.fates = [
            FoundFate(view, context.before_context, context.context)
            for context in self.contexts
            for view in context.findings
        ]
        for entry in told.found.only_before:
            alone = writer.alone("before", entry)
            self.fates += [FoundFate(view, alone.context, None) for view in alone.findings]
        for entry in told.found.only_after:
            alone = writer.alone("after", entry)
            self.fates += [FoundFate(view, None, alone.context) for view in alone.findings]
        weight = {severity: place for place, severity in enumerate((*GRADED, "note"))}
        self.fates.sort(key=lambda entry: weight[self.severity(entry)])

    def blocks(self) -> Iterator[Block]:
        raise NotImplementedError

    def moments(self) -> list[datetime | None]:
        return [visit.answer.visited_at or visit.created_at for visit in (self.told.before, self.told.after)]

    def days(self) -> str:
        return ", ".join(f"{moment:%Y-%m-%d}" for moment in self.moments() if moment)

    def visits(self, *more: tuple[str, str]) -> Facts:
        """Which visits it is about."""
        answers = (self.told.before.answer, self.told.after.answer)
        then, now = (
            f"{a.visited_at:%Y-%m-%d %H:%M} (UTC{a.visited_at:%z})" if a.visited_at else self.say("not stated")
            for a in answers
        )
        references = dict.fromkeys(str(a.equipment_reference) for a in answers if a.equipment_reference)
        labels = dict.fromkeys(visit.equipment_label for visit in (self.told.after, self.told.before))
        jobs = dict.fromkeys(str(a.job_reference) for a in answers if a.job_reference)
        rows = [
            ("Earlier visit", then),
            ("Later visit", now),
            ("Site", ", ".join(dict.fromkeys(str(a.site_reference) for a in answers if a.site_reference))),
            ("Equipment", " · ".join(word for word in (next(iter(labels)), *references) if word)),
            ("Jobs" if len(jobs) > 1 else "Job", ", ".join(jobs)),
            *more,
        ]
        return Facts(tuple((self.say(name), (text,)) for name, text in rows if text))

    def severity(self, entry: FoundFate) -> response.Severity:
        """How serious a finding is now, or was where it is not found now."""
        now, then = entry.view.severity_after, entry.view.severity_before
        severity = then if now is UNSET else now
        assert severity is not UNSET
        return severity

    def seen(self, answer: response.EvaluationResult, entry: FoundFate) -> response.FindingView | None:
        """The finding as one visit by itself tells it."""
        context = entry.before if answer is self.told.before.answer else entry.after
        found = [finding for finding in answer.findings if finding.code == entry.view.code]
        return next((finding for finding in found if context is not None and finding.context == context), None) or next(
            iter(found), None
        )

    def dangers(self) -> Iterator[Notice]:
        """Every hazard of the later visit, and those of the earlier one that nobody can tell of now: in the rules' own
        words, for any reader."""
        answer = self.told.before.answer
        for block in self.after.dangers():
            if isinstance(block, Notice):
                yield block
        cautions = {caution.code: caution.text for caution in answer.cautions}
        told: set[str] = set()
        for entry in self.fates:
            finding = self.seen(answer, entry)
            if (
                not (entry.view.severity_before == "hazard" and entry.view.fate == "no_longer_judged")
                or finding is None
            ):
                continue
            if entry.view.code not in told:
                texts = (self.say(NOT_LOOKED_AT), finding.summary, finding.why_it_matters, finding.what_to_do)
                named = [cautions[code] for code in finding.cautions if code in cautions]
                yield Notice(f"{self.say(SEVERITY_WORDS['hazard'])}: {finding.title}", (*texts, *named))
            told.add(entry.view.code)

    def where(self, entry: FoundFate) -> str:
        context = entry.after or entry.before
        return "" if context is None else self.after.context(context)

    def row_share(self, row: ComparedQuantityView) -> tuple[float, float] | None:
        """A difference and its expanded uncertainty as shares of what it was before; None where that says nothing."""
        if row.before.value <= row.before_uncertainty.value or row.before.unit != row.difference.unit:
            return None
        return row.difference.value / row.before.value, row.expanded_uncertainty.value / row.before.value


# Customer --------------------------------------------------------------------------------------------------------

Standing = Literal["still", "new", "first_checked", "solved", "not_checked"]
SECTIONS: Mapping[Standing, str] = {
    "still": "What still needs attention",
    "new": "What is new",
    "first_checked": "What was checked for the first time, and needs attention",
    "solved": "What is solved",
    "not_checked": "What was found before and could not be checked again",
}


def standing(fates: Iterable[Fate]) -> Standing:
    """How a part of the house stands by what became of all its findings; solved only where every one is."""
    became = set(fates)
    if became & NOW:
        if became & THEN:
            return "still"
        return "new" if "new" in became else "first_checked"
    return "not_checked" if "no_longer_judged" in became else "solved"


class _Customer(_Both):
    """Plain words: what was done and whether it shows, what is solved, still there and new, what to do."""

    def blocks(self) -> Iterator[Block]:
        self.words = customer_words()
        yield self.visits()
        dangers = list(self.dangers())
        yield from dangers
        topics = self._topics()
        stands = {topic: standing(entry.view.fate for entry in fates) for topic, fates in topics.items()}
        attention = [topic for topic in topics if stands[topic] in ("still", "new", "first_checked")]
        yield Paragraph(self._lead(bool(dangers), bool(attention)), "lead")
        yield from self._work()
        yield from self._changes()
        for section in ("solved", "still", "new", "first_checked", "not_checked"):
            parts = [topic for topic in self.words.topics if stands.get(topic) == section]
            solved = self._solved_hazards() if section == "solved" else []
            if parts or solved:
                yield Heading(self.say(SECTIONS[section]))
            for topic in parts:
                yield from self._part(topic, topics[topic], section)
            yield from solved
        if not topics and not dangers and not self._solved_hazards():
            yield Paragraph(self.say("In what could be checked, neither visit found anything that needs work."))
        measuring = self._measuring()
        if measuring:
            yield Heading(self.say(self.words.measuring.part))
            yield Paragraph(f"{self.say(self.words.measuring.text)} {self.say(self.words.measuring.recommend)}")
        yield from CustomerPage(self.told.after).checked(self.words)
        yield from self._weaker()
        yield from self._next(bool(dangers), bool(attention), "not_checked" in stands.values(), measuring)
        yield Heading(self.say("Please keep in mind"))
        yield Bullets(tuple(self.say(text) for text in self.words.keep_in_mind))
        yield from self.after.closing()

    def _lead(self, danger: bool, attention: bool) -> str:
        if danger:
            return self.say(
                "Someone could be hurt. Please read what stands above first, and act on it before anything else."
            )
        works = {work.verdict for work in self.verdict.works}
        if self.verdict.verdict == "worse":
            said = "The measurements show that something has become worse since the earlier visit."
        elif self.verdict.verdict == "proven":
            said = "The measurements show that the work had the effect it was done for."
        elif not works:
            said = "No work is noted between the two visits, so there is none to prove. This is what changed."
        elif "proven" in works:
            said = "The measurements show the effect of part of the work, but not of all of it."
        elif "not_proven" in works:
            said = "The measurements do not show that the work had the effect it was done for."
        else:
            said = (
                "Whether the work had the effect it was done for cannot be told from the measurements of both visits."
            )
        text = self.say(said)
        if attention:
            text += " " + self.say("Some things need attention; they are listed below.")
        return text

    def _work(self) -> Iterator[Block]:
        works = self.found.verdict.works
        if not works:
            return
        yield Heading(self.say("What was done, and whether it shows"))
        yield Facts(
            tuple((self.say(self.words.work[work.kind]), (self.say(self.words.shown[work.verdict]),)) for work in works)
        )
        if any(work.verdict == "proven" for work in works):
            chance = round(1.0 / (1.0 - self.found.verdict.confidence))
            yield Paragraph(
                self.say(
                    "How sure that is: work that did nothing would look like this at most one time in {count}.",
                    count=str(chance),
                )
            )

    def _changes(self) -> Iterator[Block]:
        said: list[str] = []
        for name, words in self.words.changes.items():
            found = [
                (self.after.context(context.context), self._change(words[row.moved], row))
                for context in self.contexts
                for row in context.quantities
                if row.name == name
            ]
            sentences = dict.fromkeys(text for _, text in found)
            if len(sentences) > 1:
                sentences = dict.fromkeys(f"{where[:1].upper()}{where[1:]}: {text}" for where, text in found)
            said += sentences
        told_then, told_now = self.told.before, self.told.after
        bars = []
        for context in self.contexts:
            bars += bars_of(told_then.answer, self.speech, contexts=[context.before_context], when="Before")
            bars += bars_of(told_now.answer, self.speech, contexts=[context.context], when="Now")
        picture = resistance(bars, self.speech, told_now.font)
        if said:
            yield Heading(self.say("What the measurements say"))
            yield Bullets(tuple(said))
        if picture is not None:
            yield Heading(picture.title)
            yield picture

    def _change(self, words: str, row: ComparedQuantityView) -> str:
        text = self.say(words)
        shares = self.row_share(row)
        if row.moved != "no_change_shown" and shares is not None:
            share, spread = (f"{100.0 * abs(part):.0f}%" for part in shares)
            more = "About {share} more, give or take {spread}."
            less = "About {share} less, give or take {spread}."
            text += " " + self.say(more if row.moved == "rose" else less, share=share, spread=spread)
        if row.turn != "neutral":
            text += " " + self.say("That is for the better." if row.turn == "better" else "That is for the worse.")
        return text

    def _topic(self, entry: FoundFate) -> str:
        finding = self.seen(self.told.after.answer, entry) or self.seen(self.told.before.answer, entry)
        return "soundness" if finding is None else self.words.topic_of(finding.rules[0], self.told.after.rules)

    def _topics(self) -> dict[str, list[FoundFate]]:
        """What became of findings, by the topic of their rule; what a notice tells stands there alone."""
        topics: dict[str, list[FoundFate]] = {}
        for entry in self.fates:
            severities = {entry.view.severity_before, entry.view.severity_after}
            if self.severity(entry) != "hazard" and severities & {"hazard", "fault", "advisory"}:
                topics.setdefault(self._topic(entry), []).append(entry)
        return {topic: fates for topic, fates in topics.items() if topic in self.words.topics}

    def _measuring(self) -> bool:
        return any(
            self._topic(entry) in self.words.measuring.topics
            for entry in self.fates
            if entry.view.severity_after in ("fault", "advisory")
        )

    def _solved_hazards(self) -> list[Block]:
        """Hazards of the earlier visit that were judged again wherever they were found, and are no more."""
        became: dict[str, set[Fate]] = {}
        for entry in self.fates:
            if entry.view.severity_before == "hazard":
                became.setdefault(entry.view.title, set()).add(entry.view.fate)
        gone = [title for title, fates in became.items() if fates == {"resolved"}]
        return [Facts(((self.say(SEVERITY_WORDS["hazard"]), (*gone, self.say(CLEARS_NOTHING))),))] if gone else []

    def _part(self, topic: str, fates: Sequence[FoundFate], section: Standing) -> Iterator[Block]:
        words = self.words.topics[topic]
        present = [entry for entry in fates if entry.view.fate in NOW]
        fault = any(self.severity(entry) == "fault" for entry in present or fates)
        phrase = self.say(words.fault if fault else words.advisory)
        if not present:
            now = (
                (CLEARS_NOTHING if topic in NEVER_CLEARED else "Now: measured again, and no longer so.")
                if section == "solved"
                else "Now: the measurements do not tell. That does not mean that it is in order."
            )
            yield Facts(((self.say(words.part), (self.say("Before: {what}", what=phrase), self.say(now))),))
            return
        mark = self.say("needs work") if fault else self.say("worth a look")
        yield Heading(self.say(words.part), 3, mark, fault)
        became = {entry.view.fate for entry in fates}
        since = {**SINCE, **SINCE_ALONE} if len(became) == 1 else SINCE
        plain = CustomerPage(self.told.after).plain
        titles = [title for title in dict.fromkeys(entry.view.title for entry in present) if plain(title)]
        rows = [
            ("What we found", (phrase, *titles)),
            ("Since then", tuple(self.say(text) for fate, text in since.items() if fate in became)),
            ("What it means", (self.say(words.means),)),
            ("What we recommend", (self.say(words.recommend),)),
        ]
        yield Facts(tuple((self.say(name), texts) for name, texts in rows))

    def _weaker(self) -> Iterator[Block]:
        said = [self.say(WEAKER[note]) for note in self.told.notes if note in WEAKER]
        if self.found.facts_differing:
            said.append(
                self.say(
                    "Not everything about the equipment or the instruments was noted alike on both visits; the "
                    "technician's page says what."
                )
            )
        if self.found.only_before or self.found.only_after:
            said.append(
                self.say("On one visit the system was also measured in a way that has no counterpart on the other.")
            )
        if said:
            yield Heading(self.say("What makes this comparison less certain"))
            yield Bullets(tuple(said))

    def _next(self, danger: bool, attention: bool, unchecked: bool, measuring: bool) -> Iterator[Block]:
        steps = []
        if danger:
            steps.append(
                "Act on the danger first, and let a licensed person and the gas supplier decide what comes then."
            )
        works = {work.verdict for work in self.verdict.works}
        if self.verdict.verdict == "worse":
            steps.append("Let us look once more at what has become worse before anything else is done.")
        elif "not_proven" in works:
            steps.append("Let us look at the work once more, and take the same readings again.")
        if "not_judged" in works:
            steps.append(
                "Let us take the same readings before and after any work, so that they can show what it brings."
            )
        if attention:
            steps.append(
                "Ask us for an offer for the work recommended above; the technician's page tells what it rests on."
            )
        if unchecked:
            steps.append("Let us check again what could not be checked on this visit.")
        if measuring:
            steps.append("Let us repeat the readings that could not be relied on.")
        if not steps:
            steps.append("Change the filter as its maker says, and have the system measured again on the next visit.")
        yield Heading(self.say("What happens next"))
        yield Bullets(tuple(self.say(step) for step in steps), ordered=True)


# Technician ------------------------------------------------------------------------------------------------------


class _Technician(_Both):
    """Every quantity on both visits, what moved, conditions, findings with limits, projected and achieved, plots."""

    def blocks(self) -> Iterator[Block]:
        digest = self.found.ruleset_digest[:12]
        kept = ", ".join(self.told.kept_by)
        yield self.visits(("Judged by", f"{self.found.ruleset_version} ({digest})"), ("Kept as judged by", kept))
        yield from self.dangers()
        yield from self._verdict()
        yield from self._conditions()
        yield from self._findings()
        yield from self._projected()
        if self.told.plots:
            yield Heading(self.say("Plots"))
            yield from (drawn_figure(plot) for plot in self.told.plots)
        yield from self._quantities()
        yield from self._not_compared()
        yield from self._guidance().cautions()
        yield from self._guidance().sources()
        yield from self.after.closing()

    def _verdict(self) -> Iterator[Block]:
        yield Heading(self.say("Is the repair proven?"))
        yield Paragraph(self.verdict.summary, "lead")
        yield Bullets(tuple(reason.detail for reason in self.verdict.reasons))
        rows = []
        for work in self.verdict.works:
            needed = percent_words(work.needed, self.speech)
            shown = (self.work_named(work.kind), self.say(work.verdict.replace("_", " ")))
            for entry in work.deciding:
                change = self.signed(entry.name, entry.difference, entry.expanded_uncertainty)
                meant = self.say("to rise") if entry.meant == "rise" else self.say("to fall")
                likely = percent_words(entry.probability, self.speech)
                rows.append((*shown, entry.title, self.after.context(entry.context), meant, change, likely, needed))
            if not work.deciding:
                rows.append((*shown, "", "", "", "", "", ""))
        if rows:
            columns = ("Work done", "Verdict", "Decides", "State", "Meant", "Change", "Probability", "Needed")
            yield Table(self.say("Work by work"), tuple(map(self.say, columns)), tuple(rows), numeric=(6, 7))
        yield Paragraph(self.verdict.decision_rule, "small")

    def work_named(self, kind: str) -> str:
        """A kind of work, with its day where it is known."""
        day = self.told.done_on.get(kind)
        return f"{kind} ({day})" if day else kind

    def signed(self, name: str, difference: response.Value, spread: response.Value, *, unit: bool = True) -> str:
        text = self.numbers.words(name, difference, spread) if unit else self._spread(name, difference, spread)
        shown = self.numbers.number(name, difference, spread)
        return f"+{text}" if difference.value > 0.0 and shown.strip("0.") else text

    def _spread(self, name: str, value: response.Value, spread: response.Value) -> str:
        text = self.numbers.number(name, value, spread)
        return f"{text} ± {self.numbers.number(name, spread, spread)}" if spread.value > 0.0 else text

    def _conditions(self) -> Iterator[Block]:
        yield Heading(self.say("Conditions of both visits"))
        for context, found in zip(self.contexts, self.found.contexts, strict=True):
            if found.whole_house:
                continue
            one, other = found.state_before, found.state_after
            rows = [
                (f"{self.say(title)}, {self.say('before / now')}", self._pair(then, now))
                for title, then, now in (
                    ("Speed setting", one.speed_setting, other.speed_setting),
                    ("Coil surface", self._word(one.coil_surface), self._word(other.coil_surface)),
                    ("Exhaust fans", self._word(one.exhaust_fans), self._word(other.exhaust_fans)),
                    ("Interior doors", self._word(one.interior_doors), self._word(other.interior_doors)),
                )
                if then is not None or now is not None
            ]
            if isinstance(context.reference_density, response.Value):
                density = self.numbers.words("return_air_density", context.reference_density)
                rows.append((self.say("Pressures at equal density are at"), density))
            if isinstance(context.reference_airflow, response.Value):
                method = self.told.after.rules.quantities.get(str(context.airflow_method))
                by = str(context.airflow_method) if method is None else self.speech.say(method.title)
                flow = self.numbers.words("airflow", context.reference_airflow)
                rows.append((self.say("Drops at equal flow are at"), f"{flow} ({by})"))
            yield Heading(self.after.context(context.context), 3)
            yield Facts(tuple((title, (text,)) for title, text in rows))
        differing = [self.speech.say(name) for name in self.found.facts_differing]
        said = [self.say("Stated otherwise: {facts}.", facts=", ".join(differing))] if differing else []
        said += [self.speech.say(note) for note in self.told.notes]
        for words, alone in (
            ("On the earlier visit only", self.found.only_before),
            ("On the later visit only", self.found.only_after),
        ):
            said += [f"{self.say(words)}: {entry.state.id}{', ' + entry.area if entry.area else ''}" for entry in alone]
        if said:
            yield Bullets(tuple(said))
        else:
            yield Paragraph(self.say("No fact of the equipment and no instrument differs between the visits."))

    def _pair(self, *stated: str | None) -> str:
        return " / ".join(self.say("not stated") if text is None else text for text in stated)

    def _word(self, word: str | None) -> str | None:
        return None if word is None else self.say(word)

    def _findings(self) -> Iterator[Block]:
        yield Heading(self.say("What became of findings"))
        if not self.fates:
            yield Paragraph(self.say("Neither visit found anything in what could be judged."))
        for fate in get_args(Fate):
            for entry in self.fates:
                if entry.view.fate == fate:
                    severity = self.severity(entry)
                    mark = f"{self.say(SEVERITY_WORDS[severity])}, {self.say(FATE_MARKS[entry.view.fate])}"
                    grave = severity in ("hazard", "fault") and entry.view.fate != "resolved"
                    yield Heading(entry.view.title, 3, mark, grave)
                    yield self._finding(entry)

    def _finding(self, entry: FoundFate) -> Facts:
        then, now = (self.seen(told.answer, entry) for told in (self.told.before, self.told.after))
        criteria = dict.fromkeys(
            str(evidence.criterion)
            for finding in (then, now)
            if finding is not None
            for evidence in finding.evidence
            if evidence.criterion is not UNSET
        )
        rows = [
            ("State", (self.where(entry),)),
            ("Became", (entry.view.detail,)),
            ("Before", self._said(self.before, then if entry.view.fate in THEN else None, entry.before, criteria)),
            ("Now", self._said(self.after, now if entry.view.fate in NOW else None, entry.after, criteria)),
            ("Do", (now.what_to_do,) if now is not None and entry.view.fate in NOW else ()),
        ]
        return Facts(tuple((self.say(name), texts) for name, texts in rows if texts))

    def _said(
        self,
        page: TechnicianPage,
        finding: response.FindingView | None,
        context: response.ContextView | None,
        criteria: Iterable[str],
    ) -> tuple[str, ...]:
        """What one visit says: the finding's words, and the verdicts that it rests on with their limits."""
        said = [] if finding is None else [finding.summary]
        for verdict in page.answer.verdicts:
            here = context is not None and (verdict.context == context or verdict.context.whole_house)
            if verdict.criterion in criteria and here:
                value = (
                    page.numbers.words(verdict.quantity, verdict.value, _value(verdict.expanded_uncertainty))
                    if isinstance(verdict.value, response.Value)
                    else ""
                )
                parts = (self.say(verdict.verdict.replace("_", " ")), value, page.limits(verdict), page.basis(verdict))
                said.append(f"{verdict.title}: {'; '.join(part for part in parts if part)}")
        return tuple(dict.fromkeys(said))

    def _projected(self) -> Iterator[Block]:
        rows, left = [], []
        for context in self.contexts:
            where = self.after.context(context.context)
            for entry in context.achieved:
                rows.append(
                    (
                        entry.title,
                        where,
                        self.signed(entry.name, entry.projected, entry.projected_uncertainty),
                        self.signed(entry.name, entry.achieved, entry.achieved_uncertainty),
                        self.say("agree") if entry.agrees else self.say("differ"),
                    )
                )
            left += [f"{gain.title} [{where}]" for gain in context.gains if not gain.done]
        if not rows and not left:
            return
        yield Heading(self.say("Projected against achieved"))
        if rows:
            columns = ("Quantity", "State", "Change projected", "Change measured", "Both")
            caption = self.say("What the earlier visit projected for the work that was done")
            yield Table(caption, tuple(map(self.say, columns)), tuple(rows), numeric=(2, 3))
        if left:
            yield Paragraph(self.say("Projected on the earlier visit and not done: {list}.", list="; ".join(left)))

    def _quantities(self) -> Iterator[Block]:
        yield Heading(self.say("Quantities before and after, with joint uncertainty (coverage factor 2)"))
        for context in self.contexts:
            where = self.after.context(context.context)
            for still, caption in (
                (False, "{where}: moved beyond the joint uncertainty"),
                (True, "{where}: no change shows"),
            ):
                rows = [r for r in context.quantities if (r.moved == "no_change_shown") == still]
                if rows:
                    columns = (
                        "Quantity",
                        "Before",
                        "After",
                        "Change",
                        "Unit",
                        "Compared",
                        *(() if still else ("Turn",)),
                    )
                    yield Table(
                        self.say(caption, where=where),
                        tuple(map(self.say, columns)),
                        tuple(self._row(row)[: len(columns)] for row in rows),
                        numeric=(1, 2, 3),
                    )

    def _row(self, row: ComparedQuantityView) -> tuple[str, ...]:
        return (
            row.title + self.after.subject(row.subject),
            self._spread(row.name, row.before, row.before_uncertainty),
            self._spread(row.name, row.after, row.after_uncertainty),
            self.signed(row.name, row.difference, row.expanded_uncertainty, unit=False),
            self.numbers.symbol(row.name, row.after),
            self.say(BASES[row.basis]),
            "" if row.turn == "neutral" else self.say(row.turn),
        )

    def _not_compared(self) -> Iterator[Block]:
        rows = [
            (entry.title + self.after.subject(entry.subject), self.after.context(context.context), entry.detail)
            for context in self.contexts
            for entry in context.not_comparable
        ]
        if rows:
            yield Heading(self.say("On both visits, and not to be compared"))
            columns = tuple(map(self.say, ("Quantity", "State", "Why")))
            yield Table(self.say("Not compared"), columns, tuple(rows))

    def _guidance(self) -> TechnicianPage:
        """A page with the cautions and sources of both visits, those of the later one first."""
        answers = (self.told.before.answer, self.told.after.answer)
        cautions = {caution.code: caution for answer in reversed(answers) for caution in answer.cautions}
        sources = {source.key: source for answer in reversed(answers) for source in answer.sources}
        answer = msgspec.structs.replace(
            self.told.after.answer, cautions=list(cautions.values()), sources=list(sources.values())
        )
        return TechnicianPage(msgspec.structs.replace(self.told.after, answer=answer))


# Office ----------------------------------------------------------------------------------------------------------


class _Office(_Both):
    """Codes, severities, the verdict and the work that is left, to be entered elsewhere."""

    def blocks(self) -> Iterator[Block]:
        ids = [str(told.evaluation_id or "") for told in (self.told.before, self.told.after)]
        judged = f"{self.found.ruleset_version}, {self.found.ruleset_digest}"
        yield self.visits(
            ("Evaluation before", ids[0]),
            ("Evaluation after", ids[1]),
            ("Rules", judged),
            ("Kept as judged by", ", ".join(self.told.kept_by)),
            ("Verdict", self.verdict.verdict),
        )
        yield from self.dangers()
        yield from self._verdict()
        yield from self._findings()
        page = OfficePage(self.told.after)
        yield from page.work()
        yield from page.follow_up()
        notes = [self.speech.say(note) for note in self.told.notes]
        if notes:
            yield Heading(self.say("To be known of this comparison"))
            yield Bullets(tuple(notes))
        yield from self.after.closing()

    def _verdict(self) -> Iterator[Block]:
        yield Heading(self.say("Work done"))
        yield Paragraph(self.verdict.summary)
        reasons = {reason.about: reason for reason in self.verdict.reasons if reason.about is not UNSET}
        rows = [
            (
                work.kind,
                self.told.done_on.get(work.kind, ""),
                work.verdict,
                reasons[work.kind].detail if work.kind in reasons else "",
            )
            for work in self.verdict.works
        ]
        if rows:
            columns = tuple(map(self.say, ("Work done", "Day", "Verdict", "Why")))
            yield Table(self.say("Work by work"), columns, tuple(rows))
        others = [
            f"{r.code}: {r.detail}" for r in self.verdict.reasons if r.about not in {w.kind for w in self.verdict.works}
        ]
        if others:
            yield Bullets(tuple(others))

    def _findings(self) -> Iterator[Block]:
        yield Heading(self.say("What became of findings"))
        rows = tuple(
            (
                entry.view.fate,
                self._severity(entry.view.severity_before),
                self._severity(entry.view.severity_after),
                entry.view.code,
                entry.view.title,
                self.where(entry),
                now.what_to_do
                if entry.view.fate in NOW and (now := self.seen(self.told.after.answer, entry)) is not None
                else entry.view.detail,
            )
            for entry in self.fates
        )
        if not rows:
            yield Paragraph(self.say("Neither visit found anything in what could be judged."))
            return
        columns = ("Became", "Before", "Now", "Code", "Finding", "State", "What to do")
        yield Table(self.say("Most serious first"), tuple(map(self.say, columns)), rows)

    def _severity(self, severity: object) -> str:
        return self.say(SEVERITY_WORDS[severity]) if isinstance(severity, str) else ""


def comparison_of(told: ComparisonTold) -> list[ContextComparisonView]:
    """Every context of both visits, as clients read it."""
    return _Both(told).contexts


def _value(value: object) -> response.Value | None:
    return value if isinstance(value, response.Value) else None
