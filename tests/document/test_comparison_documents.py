"""Documents of two visits: as certain as the comparison is and no more, whole for the technician, plain for the
customer."""

from __future__ import annotations

import copy
import csv
import io
import itertools
import json
import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, get_args

import pypdf
import pytest

from service.document import comparison, resistance, write
from service.document.blocks import READERS, Document
from service.document.comparison import ComparisonTold, comparison_document, standing, told_of_both
from service.document.content import customer_words
from service.model.comparison import ComparedQuantity, Moved, WorkJudgement
from service.model.letterhead import Letterhead
from service.pipeline import figures, judge_and_compare, load
from service.wire.comparison import notes_of
from service.wire.request import WorkKind
from tests.visits.history_faults import VISITS

Visit = dict[str, Any]
ROOT = Path(__file__).parents[2]
BY_ID = {visit.id: visit for visit in VISITS}
LETTERHEAD = Letterhead(company_name="Invented Air & Works", contact=("1 Example Lane",), disclaimer="Invented: ours.")
JARGON = (
    "static pressure", "cfm", "in. w.c.", "plenum", "traverse", "manometer", "wet bulb", "dew point", "enthalpy",
    "uncertainty", "criterion", "ruleset", "probability", "coverage", "quantity", "undecided", "rated", "torque",
    "filter_replaced", "pressure drop",
)  # fmt: skip
"""Words of the trade, chosen apart from those that the service leaves out."""
CARBON_MONOXIDE = {
    "kind": "carbon_monoxide", "location": "indoor", "state": "heating", "value": {"value": 120.0, "unit": "[ppm]"},
}  # fmt: skip

Tell = Callable[..., ComparisonTold]


@pytest.fixture(scope="module")
def tell() -> Tell:
    rulebook = load()
    decoder, current = rulebook.decoder(), rulebook.current

    def make(before: Visit, after: Visit, system: Any = "ip", code: str = "en") -> ComparisonTold:
        one, other = (decoder.decode_kept(json.dumps(visit).encode()) for visit in (before, after))
        return told_of_both(
            judge_and_compare(one, other, current), (one, other), (figures(one, current), figures(other, current)),
            current.ruleset, current.units, system, current.languages[code], font=write.PDF_FONT,
            letterhead=LETTERHEAD,
        )  # fmt: skip

    return make


def example(name: str) -> Visit:
    visit: Visit = json.loads((ROOT / "openapi" / "examples" / f"{name}.json").read_bytes())
    return visit


def filter_change() -> tuple[Visit, Visit]:
    return example("visit_before_filter_change"), example("visit_after_filter_change")


def of_history(name: str) -> tuple[Visit, Visit]:
    request = BY_ID[name].request()
    return request.pop("earlier_visits")[-1], request


def with_carbon_monoxide(ppm: float | None) -> Visit:
    visit = example("visit")
    if ppm is not None:
        visit["readings"].append({**CARBON_MONOXIDE, "value": {"value": ppm, "unit": "[ppm]"}})
    return visit


def plain(document: Document) -> str:
    return " ".join(write.text(document).split())


def between(text: str, start: str, end: str) -> str:
    return text[text.index(start) : text.index(end, text.index(start))]


def squeezed(text: str) -> str:
    """Without white space and hyphens, which a PDF sets anew at the ends of lines, and without ligatures."""
    return re.sub(r"[\s\u00ad-]", "", text.replace("\ufb01", "fi").replace("\ufb02", "fl").replace("\ufb00", "ff"))


class Words(HTMLParser):
    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.words: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.words.append(data)


# The customer ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "lead", "shown"),
    [
        ("filter_changed_1600_m", "show that the work had the effect", "show that it had the effect"),
        ("filter_changed_in_vain_sea_level", "do not show that the work had the effect", "do not show that it had"),
        ("coil_worse_after_cleaning_sea_level", "show that something has become worse", "show the opposite"),
    ],
)
def test_the_customer_reads_what_was_hidden_in_the_house(tell: Tell, name: str, lead: str, shown: str) -> None:
    """The truth is that of the simulated house (`tests/visits`)."""
    text = plain(comparison_document(tell(*of_history(name)), "customer"))
    assert f"The measurements {lead}" in text
    done = between(text, "What was done, and whether it shows", "What the measurements say")
    assert f"The measurements {shown}" in done
    proven = name == "filter_changed_1600_m"
    assert ("at most one time in 20" in done) == proven
    assert bool(re.search("(?<!not) show that (the work|it) had the effect", text)) == proven


def test_what_moved_is_told_in_shares_of_what_it_was(tell: Tell) -> None:
    """Worked by hand from the readings: the flow grid read 1037 and then 1223 cfm, and the path of the air was rated at
    0.493 and then 0.297 in. w.c. of resistance at about equal density."""
    text = plain(comparison_document(tell(*filter_change()), "customer"))
    more = round(100 * (1223 / 1037 - 1))
    less = round(100 * (1 - 0.297 / 0.493))
    assert f"The system moves more air than before. About {more}% more, give or take 10%." in text
    assert f"The fan has to push less hard than before. About {less}% less, give or take 2%." in text
    assert "No change shows in what the cooling coil holds back." in text


def test_solved_means_every_finding_of_that_part() -> None:
    for fates, expected in (
        (["resolved"], "solved"),
        (["resolved", "resolved"], "solved"),
        (["resolved", "no_longer_judged"], "not_checked"),
        (["resolved", "still_there"], "still"),
        (["resolved", "new"], "still"),
        (["no_longer_judged", "not_judged_before"], "still"),
        (["new"], "new"),
        (["new", "not_judged_before"], "new"),
        (["not_judged_before"], "first_checked"),
        (["no_longer_judged"], "not_checked"),
    ):
        assert standing(fates) == expected, fates  # type: ignore[arg-type]


def test_the_customer_reads_what_is_solved_and_what_is_left(tell: Tell) -> None:
    text = plain(comparison_document(tell(*filter_change()), "customer"))
    solved = between(text, "What is solved", "What was checked")
    assert "The air filter: Before:" in solved
    assert "Now: measured again, and no longer so." in solved
    worse = plain(comparison_document(tell(*of_history("coil_worse_after_cleaning_sea_level")), "customer"))
    assert "What is solved" not in worse
    assert "NEEDS WORK: Resistance of the system" in between(worse, "What is new", "What was checked")
    assert "Let us look once more at what has become worse" in worse


def test_what_was_not_read_again_is_not_told_as_solved(tell: Tell) -> None:
    before, after = filter_change()
    after["readings"] = [reading for reading in after["readings"] if reading.get("station") != "filter_outlet"]
    text = plain(comparison_document(tell(before, after), "customer"))
    assert "What is solved" not in text
    unchecked = between(text, "What was found before and could not be checked again", "What was checked")
    assert "The air filter: Before:" in unchecked
    assert "That does not mean that it is in order." in unchecked
    assert "These measurements cannot tell what it brought." in text
    assert "cannot be told from the measurements of both visits" in text


@pytest.mark.parametrize("code", ["en", "es"])
@pytest.mark.parametrize(
    "name", ["filter_changed_1600_m", "coil_worse_after_cleaning_sea_level", "ducts_sealed_1600_m"]
)
def test_the_customer_reads_no_word_of_the_trade(tell: Tell, name: str, code: str) -> None:
    told = tell(*of_history(name), code=code)
    text = write.text(comparison_document(told, "customer")).lower()
    own = " ".join((told.after.answer.disclaimer, told.after.equipment_label, told.after.answer.job_reference or ""))
    own = f"{own} {told.before.answer.job_reference}".lower()
    assert [word for word in JARGON if word in text and word not in own] == []
    assert [work for work in told.found.work if work in text.replace("-", "_") and work not in own] == []


def test_customers_have_words_for_every_work_and_movement() -> None:
    words = customer_words()
    assert set(words.work) == set(get_args(WorkKind))
    assert set(words.shown) == set(get_args(WorkJudgement))
    quantities = load().current.ruleset.quantities
    for name, told in words.changes.items():
        assert name in quantities
        assert set(told) == set(get_args(Moved))


# Danger ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize(("then", "now"), [(None, 120.0), (120.0, None), (120.0, 120.0)])
def test_a_hazard_stands_first_whether_found_now_or_not_looked_at_again(
    tell: Tell, reader: Any, then: float | None, now: float | None
) -> None:
    told = tell(with_carbon_monoxide(then), with_carbon_monoxide(now))
    text = plain(comparison_document(told, reader))
    answer = (told.before if now is None else told.after).answer
    hazards = [finding for finding in answer.findings if finding.severity == "hazard"]
    assert hazards
    cautions = {caution.code: caution.text for caution in answer.cautions}
    for finding in hazards:
        assert f"DANGER: {finding.title.upper()}" in text[:3500]
        for part in (
            finding.summary,
            finding.why_it_matters,
            finding.what_to_do,
            *(cautions[c] for c in finding.cautions),
        ):
            assert part in text
    assert (comparison.NOT_LOOKED_AT in text) == (now is None)


def test_a_hazard_that_is_gone_is_told_without_an_all_clear(tell: Tell) -> None:
    told = tell(with_carbon_monoxide(120.0), with_carbon_monoxide(1.0))
    text = plain(comparison_document(told, "customer"))
    assert "DANGER:" not in text
    assert f"Danger: Carbon monoxide: leave Carbon monoxide high where people are {comparison.CLEARS_NOTHING}" in text


@pytest.mark.parametrize("reader", READERS)
def test_nothing_is_ever_called_safe(tell: Tell, reader: Any) -> None:
    for pair in (filter_change(), (with_carbon_monoxide(120.0), with_carbon_monoxide(1.0))):
        told = tell(*pair)
        text = plain(comparison_document(told, reader))
        disclaimer = told.after.answer.disclaimer
        assert disclaimer in text
        assert LETTERHEAD.disclaimer in text
        assert not re.search(r"\b(is|are|it's|all) safe\b", text.replace(disclaimer, "").lower())


# The technician --------------------------------------------------------------------------------------------------


def rows_of(told: ComparisonTold) -> list[ComparedQuantity]:
    return [row for context in told.found.contexts for row in context.quantities]


@pytest.mark.parametrize("code", ["en", "es"])
def test_the_technician_reads_everything_in_every_format(tell: Tell, code: str) -> None:
    told = tell(*filter_change(), code=code)
    page = comparison_document(told, "technician")
    html = Words(write.html(page))
    pages = [p.extract_text() for p in pypdf.PdfReader(io.BytesIO(write.pdf(page))).pages]
    say = told.after.speech.say
    titles = [say(told.after.rules.quantities[row.name].title) for row in rows_of(told)]
    titles += [say(told.after.rules.quantities[r.name].title) for c in told.found.contexts for r in c.not_compared]
    titles += [say(finding.title) for context in told.found.contexts for finding in context.findings]
    titles += [say(caution.text) for caution in told.found.cautions]
    titles += [source.title for source in told.before.answer.sources]
    assert len(titles) > 60
    for form in (write.text(page), " ".join(html.words), "".join(pages)):
        have = squeezed(form)
        assert [title for title in titles if squeezed(title) not in have] == []
    for number, text in enumerate(pages, start=1):
        numbered = told.after.speech.fill("Page {page} of {pages}", page=str(number), pages=str(len(pages)))
        assert squeezed(numbered) in squeezed(text)
        assert squeezed("2026-07-13, 2026-07-14 · R") in squeezed(text)
    assert html.tags.count("svg") == html.tags.count("desc") == 2


def test_quantities_stand_before_and_after_with_their_joint_uncertainty(tell: Tell) -> None:
    """The rise across the rating boundary by the readings: 0.373 + 0.120 and then 0.134 + 0.163 in. w.c.; the grid
    errs by 7 % of its reading on each visit, at twice the standard uncertainty."""
    text = plain(comparison_document(tell(*filter_change()), "technician"))
    moved = between(
        text, "[cooling, speed high: moved beyond the joint uncertainty]", "[cooling, speed high: no change"
    )
    assert re.search(r"External static pressure \| Before: 0\.493 ± 0\.\d+ \| After: 0\.297 ±", moved)
    assert "at equal density" in moved
    assert re.search(r"Filter pressure drop.{0,200}at equal flow and density \| Turn: better", moved)
    assert re.search(
        r"Airflow measured \| Before: 1037 ± \d+ \| After: 1223 ± \d+ \| Change: \+186 ± \d+ \| Unit: cfm", moved
    )
    still = text[text.index("[cooling, speed high: no change") :]
    assert "Coil pressure drop" in still[: still.index("On both visits, and not to be compared")]
    assert not re.search(r"\+0(\.0*)? ", text)
    metric = plain(comparison_document(tell(*filter_change(), system="si"), "technician"))
    assert f"External static pressure | Before: {0.493 * 249.08891:.1f} ±" in metric  # NIST SP 811, appendix B.8


def test_conditions_projections_and_limits_are_told(tell: Tell) -> None:
    text = plain(comparison_document(tell(*filter_change()), "technician"))
    assert "Speed setting, before / now: high / high" in text
    assert re.search(r"Pressures at equal density are at: 0\.06\d+ lb/ft³", text)
    assert re.search(r"Drops at equal flow are at: \d+ cfm \(Airflow measured\)", text)
    assert re.search(r"Airflow \| State: cooling, speed high \| Change projected: \+\d+ ± \d+ cfm \| Change measured: "
                     r"\+\d+ ± \d+ cfm \| Both: agree", text)  # fmt: skip
    resolved = between(
        text,
        "ADVICE, RESOLVED: Filter pressure drop well above",
        "State: cooling, speed high Became: Found before; judged again, and no longer so. Before: Airflow",
    )
    assert re.search(r"Now: .*: within; 1\.0 ± 0\.\d times; at least 0\.5 times, at most 2\.0 times", resolved)
    assert "filter_replaced (2026-07-14) | Verdict: proven | Decides: Filter pressure drop" in text
    odd = plain(comparison_document(tell(*of_history("facts_differ_sea_level")), "technician"))
    assert "Stated otherwise: " in odd


def test_both_paths_are_drawn_on_one_scale(tell: Tell) -> None:
    before, after = tell(*filter_change()).plots
    assert (before.title, after.title) == (
        "Static pressure along the air path, before: cooling", "Static pressure along the air path, after: cooling",
    )  # fmt: skip
    assert "-0.373 ± " in before.description
    assert "-0.134 ± " in after.description
    scales = [re.findall(r'y="([\d.]+)" text-anchor="end"[^>]*>([^<]+)<', plot.svg) for plot in (before, after)]
    assert len(scales[0]) >= 3
    assert scales[0] == scales[1]


# The office ------------------------------------------------------------------------------------------------------


def test_the_office_reads_codes_verdict_and_work(tell: Tell) -> None:
    told = tell(*of_history("coil_worse_after_cleaning_sea_level"))
    text = plain(comparison_document(told, "office"))
    assert "Verdict: worse" in text
    assert "coil_cleaned |" in text
    assert "new_fault: " in text
    for context in told.found.contexts:
        for finding in context.findings:
            assert re.search(rf"{finding.fate} \|[^[]*Code: {finding.code} \|", text), finding.code
    likeliest = [cause for cause in told.after.answer.causes if cause.rank == 1]
    assert likeliest
    for cause in likeliest:
        assert f"{cause.code} | Likeliest cause: {cause.title}" in text
    assert told.found.ruleset_digest in text


# All -------------------------------------------------------------------------------------------------------------


def test_the_quantities_as_csv(tell: Tell) -> None:
    before, after = filter_change()
    for visit in (before, after):
        visit["states"][0]["speed_setting"] = "=1+1"
    told = tell(before, after)
    rows = list(csv.DictReader(io.StringIO(write.compared_csv(told), newline="")))
    held = rows_of(told)
    compared = [row for row in rows if not row["not_comparable_because"]]
    assert [row["quantity"] for row in compared] == [row.name for row in held]
    for row, entry in zip(compared, held, strict=True):
        assert row["moved"] == entry.moved
        change = float(row["after"]) - float(row["before"])
        assert float(row["difference"]) == pytest.approx(change, rel=1e-3, abs=2e-5 * abs(float(row["after"])) + 1e-12)
        assert row["not_comparable_because"] == ""
    left = {row["quantity"]: row for row in rows if row["not_comparable_because"]}
    assert left["net_total_capacity"]["not_comparable_because"] == "other_weather"
    assert left["net_total_capacity"]["difference"] == ""
    assert {row["speed_setting"] for row in rows} == {"", "'=1+1"}
    assert {row["ruleset_version"] for row in rows} == {"1.0.0"}
    temperature = next(row for row in compared if row["quantity"] == "return_air_temperature")
    assert (temperature["unit"], temperature["difference_unit"]) == ("[degF]", "[degR]")


@pytest.mark.parametrize("reader", READERS)
def test_pages_are_self_contained_ordered_and_the_same_again(tell: Tell, reader: Any) -> None:
    one, other = (comparison_document(tell(*filter_change()), reader) for _ in range(2))
    assert write.pdf(one) == write.pdf(other)
    assert b"pdfuaid" in write.pdf(one)
    page = Words(write.html(one))
    headings = [int(tag[1]) for tag in page.tags if re.fullmatch("h[1-6]", tag)]
    assert headings.count(1) == 1
    assert all(later - earlier <= 1 for earlier, later in itertools.pairwise(headings))
    assert {"script", "iframe", "form"}.isdisjoint(page.tags)
    assert page.tags.count("table") == page.tags.count("caption")
    assert LETTERHEAD.company_name in " ".join(page.words)


@pytest.mark.parametrize("reader", READERS)
def test_what_a_client_writes_stays_words(tell: Tell, reader: Any) -> None:
    nasty = '#eval("1") </p><script>alert(1)</script> {x} {{ 7*7 }} *b*'
    before, after = filter_change()
    for visit in (before, after):
        visit["equipment"]["label"] = nasty
        visit["states"][0]["speed_setting"] = "{high}"
    page = comparison_document(tell(before, after), reader)
    parsed = Words(write.html(page))
    assert "script" not in parsed.tags
    assert nasty in " ".join(parsed.words)
    assert squeezed(nasty) in squeezed(pypdf.PdfReader(io.BytesIO(write.pdf(page))).pages[0].extract_text())


def test_visits_that_have_little_in_common_are_written_for_everybody(tell: Tell) -> None:
    one = {
        "equipment": {"arrangement": "furnace_with_cased_coil"},
        "readings": [{"kind": "dry_bulb_temperature", "location": "outdoor", "value": {"value": 20.0, "unit": "Cel"}}],
    }
    for pair in ((one, one), (one, example("visit")), (example("visit"), one)):
        told = tell(*copy.deepcopy(pair))
        for reader in READERS:
            page = comparison_document(told, reader)
            assert write.pdf(page).startswith(b"%PDF")
            assert "Invented Air" in write.html(page)
        text = plain(comparison_document(told, "customer"))
        assert "No work is noted between the two visits" in text
        assert "Not both visits name the equipment" in text


def test_spanish_has_every_word(tell: Tell) -> None:
    spanish = load().current.languages["es"]
    words = customer_words()
    said = [*words.work.values(), *words.shown.values(), *words.keep_in_mind]
    said += [text for told in words.changes.values() for text in told.values()]
    said += [*comparison.TITLES.values(), *comparison.FATE_MARKS.values(), *comparison.SINCE.values()]
    said += [*comparison.SINCE_ALONE.values(), *comparison.BASES.values(), *comparison.WEAKER.values()]
    said += [*comparison.SECTIONS.values(), comparison.NOT_LOOKED_AT, comparison.CLEARS_NOTHING]
    said += [*resistance.PARTS.values(), *resistance.STATES.values()]
    folder = ROOT / "service" / "document"
    for name in ("comparison.py", "resistance.py"):
        source = (folder / name).read_text()
        said += re.findall(r'(?:self\.|speech\.)(?:say|fill)\(\s*"([^"]+)"\s*[,)]', source)
        said += re.findall(r'(?:steps\.append\(\s*|said = |more = |less = )"([^"]+)"', source)
        listed = re.findall(r"(?:columns = |self\.say, )\(([^)]*)\)", source)
        said += [text for part in listed for text in re.findall(r'"([^"]+)"', part)]
        said += re.findall(r'^ +\("([A-Z][^"]+)", ', source, re.MULTILINE)
    assert len(said) > 150
    assert [text for text in dict.fromkeys(said) if not spanish.knows(text)] == []
    text = plain(comparison_document(tell(*filter_change(), code="es"), "customer"))
    assert "Las mediciones muestran que el trabajo tuvo el efecto para el que se hizo." in text
    assert "Alrededor de 18% más, con un margen de 10%." in text


def test_notes_for_customers_are_all_there_is_to_note(tell: Tell) -> None:
    told = tell(*filter_change())
    assert notes_of(told.found, ["a", None]) == (comparison.NO_REFERENCE,)
    assert set(comparison.WEAKER) == {comparison.NO_REFERENCE, comparison.CORRECTED, comparison.JUDGED_BY_OTHERS}
