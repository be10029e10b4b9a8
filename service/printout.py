"""An answer as plain text for a terminal, a pipe or a log: findings first, then the numbers, then what stayed open.

Severity and everything else that matters is said in words; colour only repeats it. Text that a client sent is
printed without its control characters and is never read as markup.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from typing import Literal, TypeVar, get_args

from msgspec import UNSET, UnsetType
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from service.model.comparison import AloneContext, ComparedQuantity, VisitComparison
from service.model.difference import Change, LimitChange, PartChange, RulesetDifference
from service.model.evaluation import SEVERITIES
from service.model.ruleset import Limit, Ruleset
from service.model.units import UnitSystem, UnitTable
from service.wire import response
from service.wire.comparison import ComparisonWriter, FindingFateView
from service.wire.outcomes import RuleRecordEntry, ShareView
from service.wire.render import DISCLAIMER
from service.wire.speech import ENGLISH, Speech
from service.wire.words import context_words

MOST_CAUSES = 4
"""Causes shown for a finding; the answer as JSON has them all."""

_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]")
_STYLES = {"hazard": "bold red", "fault": "bold magenta", "advisory": "bold yellow", "note": "bold cyan"}

SHOWN_GAINS = ("airflow", "external_static_pressure")
"""Of what mending a cause would bring, what the printout says; the answer itself has it all."""

T = TypeVar(
    "T",
    response.FindingView,
    response.SharedCauseView,
    response.QuantityView,
    response.NotJudgedView,
    response.NextReadingView,
)


def printout(
    answer: response.EvaluationResult,
    rules: Ruleset,
    units: UnitTable,
    speech: Speech = ENGLISH,
    *,
    width: int = 100,
    colour: bool = False,
) -> str:
    """The answer as lines of at most `width` columns, where its longest word allows; `speech` is its language."""
    page = _Page(answer, rules, units, speech, width, colour)
    page.heading()
    page.findings()
    page.causes()
    page.cautions()
    page.quantities()
    page.not_judged()
    page.next_readings()
    page.set_aside()
    page.section(speech.say("Please note"))
    page.lines(answer.disclaimer)
    if answer.translation_note:
        page.lines(answer.translation_note)
    return page.text()


def difference_printout(found: RulesetDifference) -> str:
    """What lies between two versions of the rules, a line for each record and each part of it."""
    counted = [sum(entry.change == change for entry in found.entries) for change in get_args(Change)]
    lines = [
        f"{found.version} ({found.digest[:12]}) to {found.other_version} ({found.other_digest[:12]}): "
        f"{counted[0]} gained, {counted[1]} lost, {counted[2]} changed; "
        + (f"a {found.step} step." if found.step else "nothing differs.")
    ]
    section = ""
    for entry in found.entries:
        if entry.section != section:
            section = entry.section
            lines += ["", section.capitalize(), "-" * len(section)]
        lines.append(f"{_MARKS[entry.change]} {entry.id}  {entry.title}  [{entry.step}]")
        lines += [f"    {line}" for part in entry.parts for line in _part_lines(part)]
        lines += [f"    {_limit_line(change)}" for change in entry.limits]
    return "".join(f"{printable(line)}\n" for line in lines)


def rule_record_printout(entries: Sequence[RuleRecordEntry], disclaimer: str) -> str:
    """How often each rule was right, a line for each version, rule and finding."""
    if not entries:
        return f"Nothing was reported.\n\n{disclaimer}\n"
    rows = [("version", "rule", "reported", "true", "ruled out", "right (95 %)", "first cause right (95 %)")]
    rows += [
        (
            entry.ruleset_version,
            entry.rule,
            str(entry.reported),
            str(entry.confirmed + entry.repaired),
            str(entry.ruled_out),
            _share_words(entry.right),
            f"{entry.cause_ranked_first} of {entry.causes_reported}; {_share_words(entry.first_right)}",
        )
        for entry in entries
    ]
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = ["  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    return "".join(f"{printable(line)}\n" for line in [*lines, "", disclaimer])


def _share_words(share: ShareView | UnsetType) -> str:
    return "too few to tell" if share is UNSET else f"{share.share:.0%} ({share.low:.0%} to {share.high:.0%})"


def rule_record_csv(entries: Sequence[RuleRecordEntry]) -> str:
    """The same as CSV (RFC 4180): shares and their ends as numbers, empty where there are too few reports."""
    written = io.StringIO()
    counts = ("reported", "confirmed", "repaired", "ruled_out", "causes_reported", "cause_among_ranked")
    table = csv.writer(written)
    names = ("ruleset_version", "rule", "finding", *counts, "cause_ranked_first")
    shares = ("right", "first_right")
    table.writerow([*names, *(name + end for name in shares for end in ("", "_low", "_high"))])
    for entry in entries:
        told = [getattr(entry, name) for name in shares]
        ends = [("", "", "") if share is UNSET else (share.share, share.low, share.high) for share in told]
        table.writerow([*(getattr(entry, name) for name in names), *ends[0], *ends[1]])
    return written.getvalue()


def comparison_printout(
    found: VisitComparison, rules: Ruleset, units: UnitTable, system: UnitSystem, speech: Speech = ENGLISH
) -> str:
    """Two visits held against each other: the verdict and why, findings, then every quantity that moved."""
    writer, say = ComparisonWriter(rules, units, system, speech), speech.say
    verdict = writer.verdict(found.verdict)
    lines = [verdict.summary, *(f"  {reason.detail}" for reason in verdict.reasons), f"  {verdict.decision_rule}"]
    for context in found.contexts:
        view = writer.context(context)
        lines += ["", context_words(view.context, speech)]
        lines += [_fate_line(finding) for finding in view.findings]
        for row in context.quantities:
            if row.moved != "no_change_shown":
                change = f"{writer.title(row.name)}: {_was(row, rules, units, system)}"
                lines.append(f"  {change}" + ("" if row.turn == "neutral" else f"  [{say(row.turn)}]"))
        still = sum(row.moved == "no_change_shown" for row in context.quantities)
        lines.append("  " + speech.fill("Quantities in which no change shows: {count}.", count=str(still)))
        lines += [f"  {entry.title}: {entry.detail}" for entry in view.not_comparable]
    alone: tuple[tuple[Literal["before", "after"], str, tuple[AloneContext, ...]], ...] = (
        ("before", "On the earlier visit only", found.only_before),
        ("after", "On the later visit only", found.only_after),
    )
    for visit, words, contexts in alone:
        for entry in contexts:
            only = writer.alone(visit, entry)
            lines += ["", f"{say(words)}: {context_words(only.context, speech)}"]
            lines += [_fate_line(finding) for finding in only.findings]
    lines += ["", say("Cautions"), *(f"  {say(caution.text)}" for caution in found.cautions), "", say(DISCLAIMER)]
    return "".join(f"{printable(line)}\n" for line in lines)


def _was(row: ComparedQuantity, rules: Ruleset, units: UnitTable, system: UnitSystem) -> str:
    """Before, after, and in brackets the difference with its expanded uncertainty."""
    dimension = rules.quantities[row.name].dimension
    before, after = units.range_words(dimension, row.before.value, row.after.value, system)
    apart = "temperature_difference" if dimension == "temperature" else dimension
    difference = units.words(apart, row.difference.value, system, row.difference.uncertainty)
    return f"{before} -> {after} ({difference})"


def _fate_line(finding: FindingFateView) -> str:
    return f"  {finding.title}: {finding.detail}"


_MARKS: dict[Change, str] = {"gained": "+", "lost": "-", "changed": "~"}


def _part_lines(part: PartChange) -> list[str]:
    if part.before is None and part.after is None:
        moved = [*(f"+ {one}" for one in part.gained), *(f"- {one}" for one in part.lost)]
        return [f"{part.part}: {line}" for line in moved] or [f"{part.part}: other order or words"]
    if len(f"{part.before}{part.after}") > 60:
        return [f"{part.part}:", f"    was {part.before or 'absent'}", f"    is  {part.after or 'absent'}"]
    return [f"{part.part}: {part.before or 'absent'} -> {part.after or 'absent'}"]


def _limit_line(change: LimitChange) -> str:
    before, after = change.before, change.after
    if before is None or after is None:
        held = before or after
        return f"limit {_MARKS[change.change]} " + ("" if held is None else _limit_words(held))
    if not change.parts:
        return "limits: other order, and the first that fits decides"
    return f"limit ~ {_limit_words(before)} -> {_limit_words(after)}"


def _limit_words(limit: Limit) -> str:
    ends = []
    for name, number, rating, factor in (
        ("lower", limit.lower, limit.lower_rating, limit.lower_factor),
        ("upper", limit.upper, limit.upper_rating, limit.upper_factor),
    ):
        if number is not None:
            ends.append(f"{name} {number:g} {limit.unit}")
        elif rating is not None:
            ends.append(f"{name} {factor:g} x {rating}")
    dates = [f"from {limit.from_date}"] if limit.from_date else []
    dates += [f"until {limit.until_date}"] if limit.until_date else []
    when = [f"when {' and '.join(limit.when)}"] if limit.when else []
    return ", ".join([*ends, *when, *dates, f"{limit.source}, {limit.locator}"])


def printable(text: str) -> str:
    """The text with every control character, and what would turn its direction, as a space."""
    return _CONTROL.sub(" ", text)


class _Page:
    def __init__(
        self,
        answer: response.EvaluationResult,
        rules: Ruleset,
        units: UnitTable,
        speech: Speech,
        width: int,
        colour: bool,
    ) -> None:
        self.answer = answer
        self.rules = rules
        self.speech = speech
        self.say = speech.say
        self.units = units
        self.file = io.StringIO()
        self.console = Console(
            file=self.file,
            width=max(width, 40),
            force_terminal=colour,
            color_system="standard" if colour else None,
            legacy_windows=False,
            highlight=False,
            markup=False,
            emoji=False,
        )
        self.caution_marks = {caution.code: f"C{n}" for n, caution in enumerate(answer.cautions, start=1)}

    def text(self) -> str:
        return "\n".join(line.rstrip() for line in self.file.getvalue().splitlines()) + "\n"

    # Parts of the page -----------------------------------------------------------------------------------------

    def heading(self) -> None:
        answer = self.answer
        self.console.print(Text("AIRSIDE FINDINGS", style="bold"))
        rules = f"{answer.ruleset.version} ({answer.ruleset.digest[:12]})"
        facts = [self.speech.fill("rules {version}", version=rules)]
        if answer.visited_at:
            time = answer.visited_at.isoformat(sep=" ", timespec="minutes")
            facts.insert(0, self.speech.fill("visit of {time}", time=time))
        for word, reference in (
            ("site", answer.site_reference),
            ("equipment", answer.equipment_reference),
            ("job", answer.job_reference),
        ):
            if reference:
                facts.append(f"{self.say(word)} {reference}")
        self.lines("; ".join(facts))

    def findings(self) -> None:
        groups: dict[tuple[str, str], list[response.FindingView]] = {}
        for finding in self.answer.findings:
            groups.setdefault((finding.severity, finding.code), []).append(finding)
        counts = {name: sum(severity == name for severity, _ in groups) for name in reversed(SEVERITIES)}
        listed = ", ".join(f"{self.say(severity)} {count}" for severity, count in counts.items() if count)
        self.section(f"{self.say('Findings')}: {listed or self.say('none')}")
        if not groups:
            self.lines(
                self.speech.fill(
                    "Nothing was found in what could be judged. Points not judged, listed below: {count}.",
                    count=str(len(self.answer.not_judged)),
                )
            )
        for number, group in enumerate(groups.values(), start=1):
            self.finding(number, group)

    def finding(self, number: int, group: Sequence[response.FindingView]) -> None:
        """One finding, under however many operating states it was made."""
        first = group[0]
        title = Text(f"{number}. ")
        title.append(self.say(first.severity).upper(), _STYLES[first.severity])
        title.append(f"  {printable(first.title)}", "bold")
        self.console.print()
        self.console.print(title)
        rows = [(self.say("Seen") if at == 0 else "", self.seen(finding)) for at, finding in enumerate(group)]
        rows.append((self.say("Matters"), first.why_it_matters))
        rows.append((self.say("Do"), first.what_to_do))
        for at, cause in enumerate(_causes(group)):
            rows.append((self.say("Causes") if at == 0 else "", f"{self.cause(cause)}. {cause.remedy}"))
        alarms = list(dict.fromkeys(alarm for finding in group for alarm in finding.known_false_alarms))
        rows += [(self.say("Unless") if at == 0 else "", alarm) for at, alarm in enumerate(alarms)]
        cautions = dict.fromkeys(code for finding in group for code in finding.cautions)
        if cautions:
            marks = ", ".join(self.caution_marks.get(code, code) for code in cautions)
            rows.append((self.say("Cautions"), self.speech.fill("{marks} below", marks=marks)))
        self.pairs(rows)

    def causes(self) -> None:
        """The first cause of each context, and those that the readings cannot tell from it."""
        first = [cause for cause in self.answer.causes if cause.rank == 1]
        if not first:
            return
        self.section(self.say("What may be behind it"))
        for where, listed in _by_context(first, self.speech):
            self.where(where)
            rows = []
            for cause in listed:
                explains = self.speech.fill("Findings it would explain: {count}.", count=str(len(cause.explains)))
                text = f"{self.cause(cause)}. {explains}"
                if isinstance(cause.separated_by, str):
                    reading = self.say(self.rules.procedures[cause.separated_by].title)
                    text += f" {self.speech.fill('Told apart best by: {reading}.', reading=reading)}"
                if gains := self.gains(cause):
                    text += f" {self.speech.fill('Mending it would bring: {gains}.', gains=gains)}"
                rows.append(("-", text))
            self.pairs(rows, narrow=True)

    def gains(self, cause: response.SharedCauseView) -> str:
        """Airflow and external static pressure before and after, with the uncertainty of the change."""
        if not isinstance(cause.mended, response.MendedView):
            return ""
        told = []
        for gain in cause.mended.quantities:
            if gain.name not in SHOWN_GAINS:
                continue
            display = self.units.display[self.rules.quantities[gain.name].dimension][self.answer.units]
            before, after, spread = (
                f"{part.value:.{display.decimals}f}"
                for part in (gain.before, gain.after, gain.expanded_uncertainty_of_change)
            )
            told.append(
                self.speech.fill(
                    "{what} from {before} to {after} (± {spread}) {unit}",
                    what=gain.title[:1].lower() + gain.title[1:],
                    before=before,
                    after=after,
                    spread=spread,
                    unit=self.say(display.scale.symbol),
                )
            )
        return ", ".join(told)

    def cause(self, cause: response.CauseView) -> str:
        """A cause with the word for its belief."""
        return f"{cause.title} ({self.say(cause.word)})"

    def seen(self, finding: response.FindingView) -> str:
        said = f"[{self.context(finding.context)}] {finding.summary}"
        if isinstance(finding.certainty, float):
            said += " " + self.speech.fill("Certainty {percent}.", percent=self.percent(finding.certainty))
        return said

    def context(self, context: response.ContextView) -> str:
        return context_words(context, self.speech)

    def percent(self, probability: float) -> str:
        """A probability in words, never rounded up to certainty."""
        if probability > 0.999:
            return self.speech.fill("above {percent}", percent="99.9\N{NO-BREAK SPACE}%")
        return f"{100.0 * probability:.1f}\N{NO-BREAK SPACE}%"

    def cautions(self) -> None:
        if not self.answer.cautions:
            return
        self.section(self.say("Cautions"))
        self.pairs(
            [
                (
                    self.caution_marks[c.code],
                    f"{c.text} " + self.speech.fill("(Rests on: {basis}.)", basis=c.rests_on.rstrip(".")),
                )
                for c in self.answer.cautions
            ]
        )

    def quantities(self) -> None:
        self.section(self.say("Quantities, with expanded uncertainty (coverage factor 2)"))
        if not self.answer.quantities:
            self.lines(self.say("None could be worked out."))
        for where, quantities in _by_context(self.answer.quantities, self.speech):
            self.where(where)
            table = Table.grid(padding=(0, 2), expand=False)
            table.add_column(ratio=5)
            table.add_column(justify="right", no_wrap=True)
            table.add_column(justify="left", no_wrap=True)
            table.add_column(ratio=5)
            for quantity in quantities:
                between = f" {self.say('to')} "
                words = quantity.subject.replace("|", between).replace("_", " ") if quantity.subject else ""
                subject = f" ({words})" if words else ""
                value, rest = self.number(quantity)
                table.add_row(*(Text(printable(t)) for t in (quantity.title + subject, value, rest, quantity.method)))
            self.console.print(Padding(table, (0, 0, 0, 2)))

    def number(self, quantity: response.QuantityView) -> tuple[str, str]:
        """Value, and uncertainty with unit, in the decimals that words of this dimension use."""
        known = self.rules.quantities.get(quantity.name)
        value, spread = quantity.value.value, quantity.expanded_uncertainty.value
        if known is None:
            return f"{value:.6g}", f"± {spread:.2g} {quantity.value.unit}"
        display = self.units.display[known.dimension][self.answer.units]
        shown = f"{value:.{display.decimals}f}"
        return (
            shown.removeprefix("-") if float(shown) == 0.0 else shown,
            f"{f'± {spread:.{display.decimals}f} ' if spread else ''}{self.say(display.scale.symbol)}".rstrip(),
        )

    def not_judged(self) -> None:
        entries = self.answer.not_judged
        self.section(f"{self.say('Not judged')}: {len(entries) or self.say('nothing')}")
        for where, listed in _by_context(entries, self.speech):
            self.where(where)
            self.items(f"{entry.title}: {entry.detail}" for entry in listed)

    def next_readings(self) -> None:
        if not self.answer.next_readings:
            return
        self.section(self.say("Next readings, most useful first"))
        for where, listed in _by_context(self.answer.next_readings, self.speech):
            self.where(where)
            rows = []
            for number, entry in enumerate(listed, start=1):
                marks = ", ".join(self.caution_marks.get(code, code) for code in entry.cautions)
                points = self.speech.fill("Points it bears on: {count}.", count=str(len(entry.settles)))
                caution = " " + self.speech.fill("Cautions {marks}.", marks=marks) if marks else ""
                rows.append((f"{number}.", f"{entry.title}. {points}{caution}"))
            self.pairs(rows, narrow=True)

    def set_aside(self) -> None:
        entries = self.answer.set_aside
        self.section(f"{self.say('Set aside')}: {len(entries) or self.say('nothing')}")
        self.items(f"{entry.pointer}: {entry.detail} {entry.remedy}" for entry in entries)

    # Ways to print ---------------------------------------------------------------------------------------------

    def section(self, title: str) -> None:
        self.console.print()
        self.console.print(Text(title, style="bold"))
        self.console.print("-" * min(len(title), self.console.width))

    def where(self, words: str) -> None:
        self.console.print(Text(f"[{printable(words)}]"))

    def lines(self, text: str) -> None:
        self.console.print(Text(printable(text)))

    def items(self, texts: Iterable[str]) -> None:
        self.pairs([("-", text) for text in texts], narrow=True)

    def pairs(self, rows: Sequence[tuple[str, str]], *, narrow: bool = False) -> None:
        table = Table.grid(padding=(0, 1))
        table.add_column(no_wrap=True, min_width=2 if narrow else 8)
        table.add_column(overflow="fold")
        for label, text in rows:
            table.add_row(Text(label), Text(printable(text)))
        self.console.print(Padding(table, (0, 0, 0, 2 if narrow else 3)))


def _causes(group: Sequence[response.FindingView]) -> list[response.CauseView]:
    """The causes with the best rank in any state, best first; none that only speaks against itself."""
    best: dict[str, response.CauseView] = {}
    for cause in (cause for finding in group for cause in finding.causes):
        if cause.evidence_for or cause.rank == 1:
            held = best.get(cause.code)
            if held is None or cause.rank < held.rank:
                best[cause.code] = cause
    return sorted(best.values(), key=lambda cause: cause.rank)[:MOST_CAUSES]


def _by_context(entries: Iterable[T], speech: Speech) -> list[tuple[str, list[T]]]:
    groups: dict[str, list[T]] = {}
    for entry in entries:
        groups.setdefault(context_words(entry.context, speech), []).append(entry)
    return list(groups.items())
