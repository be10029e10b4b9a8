"""Documents: every finding, number and caution for the reader that needs it, and nothing of a client's markup."""

import csv
import io
import json
import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import msgspec
import pypdf
import pytest
import typst

from service.document import write
from service.document.blocks import READERS, Document, Table
from service.document.content import Told, customer_words, document, told_of
from service.model.letterhead import Letterhead
from service.pipeline import Prepared, evaluate, figures, load, working
from service.wire.decode import RequestDecoder

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "openapi" / "examples" / "visit.json"
HOUSE = ROOT / "rules" / "cases" / "healthy" / "furnace_and_house_1600_m.json"
LETTERHEAD = Letterhead(
    company_name="Invented Air & Works <Ltd>", contact=("1 Example Lane", "office@example.invalid"),
    disclaimer="Invented: we answer for our work, not for the weather.",
)  # fmt: skip
JARGON = (
    "static pressure", "cfm", "in. w.c.", "plenum", "traverse", "manometer", "wet bulb", "dew point", "enthalpy",
    "uncertainty", "criterion", "ruleset", "probability", "coverage", "quantity", "undecided", "rated", "torque",
)  # fmt: skip
"""Words of the trade, chosen apart from those that the service leaves out."""


@pytest.fixture(scope="module")
def current() -> Prepared:
    return load().current


@pytest.fixture(scope="module")
def decoder() -> RequestDecoder:
    return load().decoder()


@pytest.fixture(scope="module")
def told(current: Prepared, decoder: RequestDecoder) -> Callable[..., Told]:
    def make(
        visit: bytes = EXAMPLE.read_bytes(), system: Any = "ip", code: str = "en", font: str = write.PDF_FONT
    ) -> Told:
        request = decoder.decode_kept(visit)
        return told_of(
            evaluate(request, current), request, figures(request, current), current.ruleset, current.units, system,
            current.languages[code], font=font, letterhead=LETTERHEAD,
        )  # fmt: skip

    return make


class Page(HTMLParser):
    """Elements, headings and words of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.headings: list[int] = []
        self.words: list[str] = []
        self._style = False
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._style = tag == "style"
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))

    def handle_endtag(self, tag: str) -> None:
        self._style = False

    def handle_data(self, data: str) -> None:
        if not self._style:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def squeezed(text: str) -> str:
    """Without white space, hyphens at line ends and ligatures, which a PDF may set as it likes."""
    return re.sub(r"[\s\u00ad]", "", text.replace("\ufb01", "fi").replace("\ufb02", "fl").replace("\ufb00", "ff"))


def pdf_text(document: Document) -> tuple[list[str], pypdf.PdfReader]:
    reader = pypdf.PdfReader(io.BytesIO(write.pdf(document)))
    return [page.extract_text() for page in reader.pages], reader


def hazardous() -> bytes:
    """The house with carbon monoxide in its air."""
    visit = json.loads(EXAMPLE.read_bytes())
    visit["readings"].append(
        {
            "kind": "carbon_monoxide", "location": "indoor", "state": visit["states"][0]["id"],
            "value": {"value": 120.0, "unit": "[ppm]"},
        }
    )  # fmt: skip
    return json.dumps(visit).encode()


@pytest.mark.parametrize("code", ["en", "es"])
def test_the_technician_reads_every_finding_number_and_caution_in_every_format(
    told: Callable[..., Told], code: str
) -> None:
    held = told(code=code)
    page = document(held, "technician")
    pages, _ = pdf_text(page)
    forms = {"html": Page(write.html(page)).text, "text": write.text(page), "pdf": "".join(pages)}
    wanted = [part for f in held.answer.findings for part in (f.title, f.summary, f.why_it_matters, f.what_to_do)]
    wanted += [caution.text for caution in held.answer.cautions] + [held.answer.disclaimer, LETTERHEAD.disclaimer]
    wanted += [quantity.title for quantity in held.answer.quantities]
    wanted += [entry.title for entry in held.answer.not_judged]
    wanted += [cause.title for cause in held.answer.causes if cause.rank == 1]
    assert len(wanted) > 100
    for form, text in forms.items():
        # Columns of the text are named on each line, and lines of a table may break anywhere in a PDF.
        have = squeezed(text)
        missing = [part for part in wanted if squeezed(part) not in have]
        assert missing == [], form


def test_numbers_stand_with_uncertainty_and_unit(told: Callable[..., Told]) -> None:
    held = told()
    first = next(q for q in held.answer.quantities if q.name == "external_static_pressure")
    row = Page(write.html(document(held, "technician"))).text
    assert f"{first.value.value:.3f} ± {first.expanded_uncertainty.value:.3f} in. w.c." in row
    page = write.html(document(told(system="si"), "technician"))
    metric = Page(page).text
    assert f"{first.value.value * 249.08891:.1f} ± " in metric  # NIST SP 811, appendix B.8
    assert ">in. w.c.<" not in page  # no cell has that unit; words of sources may name it


def test_a_limit_s_side_that_is_out_of_the_question_is_left_unsaid(told: Callable[..., Told]) -> None:
    held = told(EXAMPLE.read_bytes())
    sides = [(one.probability_above, one.probability_below) for one in held.answer.verdicts]
    assert 0.001 in {side for both in sides for side in both}
    text = write.text(document(held, "technician"))
    assert re.search(r"P\(above\)\s+\d", text)
    assert not re.search(r"P\((above|below)\)\s+0\.1\b", text)


@pytest.mark.parametrize("visit", [EXAMPLE, HOUSE], ids=["faults", "healthy"])
def test_the_customer_reads_no_word_of_the_trade(told: Callable[..., Told], visit: Path) -> None:
    held = told(visit.read_bytes())
    page = document(held, "customer")
    own = " ".join((held.answer.disclaimer, held.equipment_label)).lower()
    text = write.text(page).lower()
    assert [word for word in JARGON if word in text and word not in own] == []
    assert [rule for finding in held.answer.findings for rule in finding.rules if rule in text] == []


def test_the_customer_of_a_house_without_findings_reads_what_was_and_was_not_checked(
    told: Callable[..., Told],
) -> None:
    held = told(HOUSE.read_bytes())
    assert held.answer.highest_severity in ("note", msgspec.UNSET)
    text = Page(write.html(document(held, "customer"))).text
    assert "nothing was found that needs work" in text
    assert text.index("What was checked") < text.index("What was not checked on this visit")
    assert "does not mean that they are in order" in text
    for part in ("Resistance of the system", "Airflow"):
        assert text.index("What was checked") < text.index(part) < text.index("What was not checked")


def checked_by(held: Told) -> str:
    text = write.text(document(held, "customer"))
    return text[text.index("What was checked") : text.index("What was not checked on this visit")]


def test_a_part_counts_as_checked_only_where_a_rule_had_all_it_asks_for(told: Callable[..., Told]) -> None:
    """Of a visit while cooling, which shares airflow and pressures with rules of heating, heating was not checked."""
    cooling = told((EXAMPLE.parent / "visit_before_filter_change.json").read_bytes())
    assert {verdict.context.mode for verdict in cooling.answer.verdicts} <= {"cooling", msgspec.UNSET}
    assert "- Cooling\n" in checked_by(cooling)
    assert "- Heating\n" not in checked_by(cooling)
    # Static pressures alone, while heating, and no temperature rise.
    pressures = told((EXAMPLE.parent / "first_visit.json").read_bytes())
    assert {verdict.context.mode for verdict in pressures.answer.verdicts} <= {"heating", msgspec.UNSET}
    assert "- Resistance of the system\n" in checked_by(pressures)
    assert "- Heating\n" not in checked_by(pressures)
    both = told((EXAMPLE.parent / "visit.json").read_bytes())
    assert "temperature_rise_maximum" in {verdict.criterion for verdict in both.answer.verdicts}
    assert "- Heating\n" in checked_by(both)


def test_readings_near_appliances_are_no_inspection_of_them(told: Callable[..., Told]) -> None:
    told_of_them = " ".join(checked_by(told(hazardous())).split())
    assert (
        "- Some readings near appliances that burn fuel; the appliances themselves were not inspected" in told_of_them
    )


def test_rules_that_are_about_something_else_to_a_customer_are_there(current: Prepared) -> None:
    words = customer_words()
    assert words.rules.keys() <= current.ruleset.diagnoses.keys()
    assert set(words.rules.values()) <= set(words.topics) | set(words.measuring.topics)
    assert words.topic_of("no_cooling_while_cooling", current.ruleset) == "capacity"


def test_no_reader_is_told_that_anything_is_safe(told: Callable[..., Told]) -> None:
    for visit in (EXAMPLE.read_bytes(), HOUSE.read_bytes(), hazardous()):
        held = told(visit)
        for reader in READERS:
            text = write.text(document(held, reader))
            said = " ".join(text.split()).replace(held.answer.disclaimer, "")
            assert not re.search(r"\b(is|are|it's|all) safe\b", said.lower())
            assert held.answer.disclaimer in " ".join(text.split())


@pytest.mark.parametrize("reader", READERS)
def test_a_hazard_comes_first_and_whole_for_every_reader(told: Callable[..., Told], reader: Any) -> None:
    held = told(hazardous())
    (hazard, *_) = [finding for finding in held.answer.findings if finding.severity == "hazard"]
    texts = {caution.code: caution.text for caution in held.answer.cautions}
    page = document(held, reader)
    pages, _ = pdf_text(page)
    for form in (Page(write.html(page)).text, write.text(page), "".join(pages)):
        have = squeezed(form)
        for part in (hazard.summary, hazard.why_it_matters, hazard.what_to_do, *(texts[c] for c in hazard.cautions)):
            assert squeezed(part) in have
        assert have.lower().index(squeezed("Danger: " + hazard.title).lower()) < 600 + len(squeezed(page.running))
    assert "licensed person" in hazard.what_to_do


def test_the_office_reads_codes_severities_and_work(told: Callable[..., Told]) -> None:
    held = told()
    text = " ".join(write.text(document(held, "office")).split())
    for finding in held.answer.findings:
        assert finding.code in text
        assert finding.what_to_do in text
    for cause in (cause for cause in held.answer.causes if cause.rank == 1):
        assert f"{cause.code} | Likeliest cause: {cause.title}" in text
    assert held.answer.ruleset.digest in text
    for reading in held.answer.next_readings:
        assert reading.procedure in text


@pytest.mark.parametrize("reader", READERS)
def test_a_page_is_ordered_self_contained_and_for_everybody(told: Callable[..., Told], reader: Any) -> None:
    """WCAG 2.2: 1.3.1 (headings, tables), 3.1.1 (language), 1.1.1 (what is drawn is told in words)."""
    page = Page(write.html(document(told(), reader)))
    tags = dict(page.tags)
    assert tags["html"]["lang"] == "en"
    assert page.headings[0] == 1
    assert page.headings.count(1) == 1
    assert all(later - earlier <= 1 for earlier, later in zip(page.headings, page.headings[1:], strict=False))
    assert {"script", "iframe", "object", "form"}.isdisjoint({tag for tag, _ in page.tags})
    for tag, attributes in page.tags:
        for name in ("src", "href"):
            if (address := attributes.get(name)) is not None:
                assert address.startswith("data:"), tag
        assert not any(name.startswith("on") or name == "style" for name in attributes), tag
        if tag == "th":
            assert attributes["scope"] in ("row", "col")
    names = [tag for tag, _ in page.tags]
    assert names.count("table") == names.count("caption")
    assert names.count("svg") == names.count("desc") == {"technician": 4, "customer": 1, "office": 0}[reader]


def test_the_style_is_plain_to_read() -> None:
    """Contrast of 4.5 to 1 and more by the formula of WCAG 2.2 for every ink of words on white."""
    style = (write.TEMPLATES / "document.css").read_text()
    inks = set(re.findall(r"(?<!-)color: (#[0-9a-f]{6})", style)) - {"#ffffff"}
    assert len(inks) >= 2
    for ink in inks:
        channels = [int(ink[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
        assert 1.05 / (0.2126 * red + 0.7152 * green + 0.0722 * blue + 0.05) >= 4.5
    assert "url(" not in style
    assert "@import" not in style


@pytest.mark.parametrize("reader", READERS)
def test_every_page_of_a_pdf_has_its_number_the_day_and_the_version(told: Callable[..., Told], reader: Any) -> None:
    page = document(told(), reader)
    pages, reader_of_pdf = pdf_text(page)
    assert reader_of_pdf.metadata is not None
    assert reader_of_pdf.metadata.title == page.title
    for number, text in enumerate(pages, start=1):
        assert squeezed(f"Page {number} of {len(pages)}") in squeezed(text)
        assert squeezed("2026-03-10 · Rules 1.0.0") in squeezed(text)
    assert reader_of_pdf.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert reader_of_pdf.trailer["/Root"]["/Lang"] == "en"


def test_the_size_of_the_paper_follows_the_units_unless_asked(told: Callable[..., Told]) -> None:
    """Points of 1/72 inch: letter is 8.5 by 11 inches, A4 210 by 297 mm (ISO 216)."""
    for system, paper, size in (
        ("ip", None, (612, 792)),
        ("si", None, (595.28, 841.89)),
        ("ip", "a4", (595.28, 841.89)),
    ):
        _, reader = pdf_text(document(told(system=system), "customer", paper))  # type: ignore[arg-type]
        box = reader.pages[0].mediabox
        assert (float(box.width), float(box.height)) == pytest.approx(size, abs=0.1)


@pytest.mark.parametrize("reader", READERS)
def test_the_same_evaluation_makes_the_same_bytes(told: Callable[..., Told], reader: Any) -> None:
    one, other = document(told(), reader), document(told(), reader)
    assert write.pdf(one) == write.pdf(other)
    assert write.html(one) == write.html(other)
    assert write.text(one) == write.text(other)


NASTY = '#eval("1") </p><script>alert(1)</script> *bold* $x$ @ref \\ [link](x) `raw` {{ 7*7 }} {x} \u202e\x1b[31m'


@pytest.mark.parametrize("reader", READERS)
def test_what_a_client_writes_stays_words(told: Callable[..., Told], reader: Any) -> None:
    visit = json.loads(EXAMPLE.read_bytes())
    visit["equipment"]["label"] = NASTY
    page = document(told(json.dumps(visit).encode()), reader)
    parsed = Page(write.html(page))
    assert "script" not in {tag for tag, _ in parsed.tags}
    assert '#eval("1") </p><script>alert(1)</script>' in parsed.text
    pages, _ = pdf_text(page)
    assert squeezed('#eval("1")</p><script>alert(1)</script>*bold*$x$@ref\\[link](x)`raw`{{7*7}}{x}') in squeezed(
        "".join(pages)
    )
    plain = write.text(page)
    assert "\x1b" not in plain
    assert "\u202e" not in plain


@pytest.mark.parametrize("label", ["\ud800", "\U0001f600 \u05e9\u05dc\u05d5\u05dd", "x" * 120])
def test_any_label_can_be_printed(told: Callable[..., Told], label: str) -> None:
    held = msgspec.structs.replace(told(), equipment_label=label)
    assert write.pdf(document(held, "customer")).startswith(b"%PDF")


def test_only_characters_without_a_shape_cost_the_tags_for_the_blind(
    told: Callable[..., Told], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The PDF's own claim of PDF/UA-1 (ISO 14289-1, 5: `pdfuaid:part` of its metadata)."""
    page = document(told(), "customer")
    unshown = document(msgspec.structs.replace(told(), equipment_label="\U0001f600"), "customer")
    assert b"pdfuaid" in write.pdf(page)
    assert b"pdfuaid" not in write.pdf(unshown)
    template = (write.TEMPLATES / "document.typ").read_text()
    for fault in ("#nowhere", '#image(bytes("<svg xmlns=\'http://www.w3.org/2000/svg\'/>"), format: "svg")'):
        (tmp_path / "document.typ").write_text(f"{template}\n{fault}\n")
        monkeypatch.setattr(write, "TEMPLATES", tmp_path)
        for held in (page, unshown):
            with pytest.raises(typst.TypstError):
                write.pdf(held)


def test_codes_stand_in_columns_of_their_own_width() -> None:
    code = "rating_boundary_taken_for_granted"
    table = Table("Codes", ("Code", "What"), ((code, "some words that may well be broken into lines " * 3),))
    page = Document("T", "en", "a4", "office", (table,), "", "Page {page} of {pages}", "codes")
    (text,), _ = pdf_text(page)
    assert re.search(rf"{code}\s+some words", text)


def test_quantities_as_csv(told: Callable[..., Told]) -> None:
    held = told()
    answer = msgspec.structs.replace(held.answer, site_reference="=1+1", job_reference='a,"b"\r\nc')
    rows = list(
        csv.DictReader(io.StringIO(write.quantities_csv(msgspec.structs.replace(held, answer=answer)), newline=""))
    )
    assert [row["quantity"] for row in rows] == [quantity.name for quantity in held.answer.quantities]
    for row, quantity in zip(rows, held.answer.quantities, strict=True):
        assert float(row["value"]) == quantity.value.value
        assert float(row["expanded_uncertainty"]) == quantity.expanded_uncertainty.value
        assert row["unit"] == quantity.value.unit
    assert {row["site_reference"] for row in rows} == {"'=1+1"}
    assert {row["job_reference"] for row in rows} == {'a,"b"\r\nc'}
    pressures = [row["verdicts"] for row in rows if row["quantity"] == "external_static_pressure"]
    assert all("external_static_pressure_maximum=above" in verdicts for verdicts in pressures)


@pytest.mark.parametrize(
    ("cell", "written"),
    [
        ("-1", "'-1"),
        ("@x", "'@x"),
        ("+1", "'+1"),
        ("\t=1", "'\t=1"),
        ("\n=1", "'\n=1"),
        ("＝1", "'＝1"),
        ("a=1", "a=1"),
    ],
)
def test_no_spreadsheet_takes_a_client_s_words_for_a_formula(cell: str, written: str) -> None:
    assert write.guarded(cell) == written


def test_customers_have_words_for_every_topic_that_finds_something() -> None:
    rules = working().ruleset
    found = {rules.topics[rule.id] for rule in rules.diagnoses.values() if rule.severity}
    words = customer_words()
    assert found == set(words.topics) | set(words.measuring.topics)


def test_spanish_has_every_word_of_documents(told: Callable[..., Told]) -> None:
    spanish = load().current.languages["es"]
    words = customer_words()
    said = [
        text
        for topic in words.topics.values()
        for name, text in msgspec.structs.asdict(topic).items()
        if text and name != "mode"
    ]
    said += [words.measuring.part, words.measuring.text, words.measuring.recommend]
    source = (ROOT / "service" / "document" / "content.py").read_text()
    said += list(re.findall(r'self\.say\(\s*"([^"{]+)"\s*[,)]', source))
    said += list(re.findall(r'steps\.append\(\s*"([^"]+)"', source))
    said += [
        name for listed in re.findall(r"columns = \(([^)]*)\)", source) for name in re.findall(r'"([^"]+)"', listed)
    ]
    assert len(said) > 150
    assert [text for text in dict.fromkeys(said) if not spanish.knows(text)] == []


def test_an_evaluation_that_found_nothing_is_written_for_everybody(told: Callable[..., Told]) -> None:
    visit = {
        "equipment": {"arrangement": "furnace_with_cased_coil"},
        "readings": [{"kind": "dry_bulb_temperature", "location": "outdoor", "value": {"value": 20.0, "unit": "Cel"}}],
    }
    held = told(json.dumps(visit).encode())
    for reader in READERS:
        page = document(held, reader)
        assert write.pdf(page).startswith(b"%PDF")
        assert "Invented Air" in write.html(page)
