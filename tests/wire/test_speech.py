"""Words in another language: whole texts, phrases with open parts, and the language that a client asks for."""

from __future__ import annotations

import pytest

from service.wire.speech import ENGLISH, ORIGINAL, Speech, preferred

SPANISH = Speech(
    "es",
    "Sin revisar.",
    {"Filter loaded": "Filtro cargado", "static_pressure at the coil": "static_pressure en el serpentín"},
    {
        "Missing: {list}.": "Falta: {list}.",
        "{what} was not measured.": "No se midió: {what}.",
        "a, or b, of the coil": "a, o b, del serpentín",
    },
)


def test_a_text_is_translated_as_a_whole() -> None:
    assert SPANISH.say("Filter loaded") == "Filtro cargado"
    assert SPANISH.knows("Filter loaded")


def test_a_text_without_translation_stays_english() -> None:
    assert SPANISH.say("Coil {share} fouled") == "Coil {share} fouled"
    assert not SPANISH.knows("Coil {share} fouled")


def test_placeholders_of_rules_are_not_taken_for_open_parts() -> None:
    speech = Speech("es", None, {"Drop is {filter_drop}.": "La caída es {filter_drop}."})
    assert speech.say("Drop is {filter_drop}.") == "La caída es {filter_drop}."
    assert not speech.knows("Drop is 3.")


def test_a_composed_text_is_translated_part_by_part() -> None:
    assert SPANISH.say("Missing: static_pressure at the coil; a, or b, of the coil; width.") == (
        "Falta: static_pressure en el serpentín; a, o b, del serpentín; width."
    )


def test_parts_that_hold_braces_are_kept_as_they_are() -> None:
    assert SPANISH.say("Missing: {x}.") == "Falta: {x}."
    assert SPANISH.fill("{what} was not measured.", what="{what}") == "No se midió: {what}."
    assert ENGLISH.fill("{what} was not measured.", what="Draft") == "Draft was not measured."


@pytest.mark.parametrize(
    ("field", "code"),
    [
        ("", "en"),
        ("es", "es"),
        ("es-MX,es;q=0.9,en;q=0.5", "es"),
        ("zh-Hant, es-419;q=0.3", "es"),
        ("en-GB, es;q=0.9", "en"),
        ("en;q=0.2, es;q=0.3", "es"),
        ("fr", "en"),
        ("*", "en"),
        ("es;q=0", "en"),
        (";;q=,,\x00", "en"),
    ],
)
def test_the_preferred_language_is_the_best_that_is_spoken(field: str, code: str) -> None:
    assert preferred(field, {ORIGINAL: ENGLISH, "es": SPANISH}).code == code
