"""The records that the TOML files under `rules/` are read into, field for field; unknown keys are refused.

Only `service.ruleset` builds them. A `Ruleset` is immutable; every later stage reads it and nothing else.
"""

from __future__ import annotations

import datetime
from typing import Any, Literal

import msgspec

from service.model.evaluation import DecisionRule, Severity

Checked = Literal["read", "computed", "second_hand", "remembered", "practice"]
"""How a statement was checked: read in the document, computed, read where another quotes it, from memory,
or common practice without a source."""

BlowerKind = Literal["permanent_split_capacitor", "constant_torque", "constant_airflow", "belt_driven"]
Heating = Literal["gas", "electric", "hydronic", "heat_pump"]
"""What warms the air: a gas burner, electric resistance, hot water, or the indoor coil of a heat pump."""
Position = Literal["upflow", "downflow", "horizontal"]
"""Which way the air goes through the equipment."""


class Record(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True, kw_only=True):
    """Base of every record read from `rules/`."""


# vocabulary/units.toml ------------------------------------------------------------------------------------------


class Unit(Record, frozen=True, kw_only=True):
    """One accepted unit: UCUM code, definition for pint, other accepted spellings, symbol used in words."""

    code: str
    pint: str
    symbol: str
    spellings: list[str] = []


class Dimension(Record, frozen=True, kw_only=True):
    """A kind of number, its unit inside the service, and the units accepted for it."""

    meaning: str
    base: str
    display: dict[Literal["ip", "si"], str]
    decimals: dict[Literal["ip", "si"], int]
    unit: list[Unit]


# vocabulary/quantities/<topic>.toml -----------------------------------------------------------------------------


class Bounds(Record, frozen=True, kw_only=True):
    """A range in a stated unit; either end may be open."""

    unit: str
    low: float | None = None
    high: float | None = None


class QuantityEntry(Record, frozen=True, kw_only=True):
    """A derived quantity: what it is, how it is obtained, what is plausible, and what it rests on."""

    title: str
    dimension: str
    meaning: str
    method: str
    plausible: Bounds
    sources: list[str]
    needs: list[str]


# vocabulary/stations.toml, elements.toml, arrangements.toml -----------------------------------------------------


class StationName(Record, frozen=True, kw_only=True):
    """A trade name of a station: the gap before or after the first (or last) element of a kind in the path."""

    title: str
    meaning: str
    after: list[str] = []
    before: list[str] = []


class Place(Record, frozen=True, kw_only=True):
    """A place that is not a gap of the air path."""

    title: str
    meaning: str


class ElementKind(Record, frozen=True, kw_only=True):
    """A kind of element of the air path and how its pressure drop grows with flow."""

    title: str
    meaning: str
    side: Literal["duct", "equipment"]
    exponent: float
    exponent_uncertainty: float
    checked: Checked
    sources: list[str]


class Arrangement(Record, frozen=True, kw_only=True):
    """A default air path and rating boundary; a client may override either."""

    title: str
    meaning: str
    air_path: list[str]
    inside: list[str]
    sources: list[str]


class Observation(Record, frozen=True, kw_only=True):
    """A yes-or-no token that is not a comparison of a number."""

    title: str
    meaning: str


# vocabulary/assumptions.toml --------------------------------------------------------------------------------------


class Assumption(Record, frozen=True, kw_only=True):
    """A value taken where the visit brings none, or the tolerance of a rating, with its standard uncertainty."""

    meaning: str
    unit: str
    value: float
    uncertainty: float
    checked: Checked
    sources: list[str]


# instruments/<class>.toml ---------------------------------------------------------------------------------------


class Instrument(Record, frozen=True, kw_only=True):
    """Default accuracy of a class of instrument, used where the client states none.

    `share` of the reading or `floor`, whichever is larger, as limits of a rectangular distribution; `resolution`
    is the smallest step shown; `zero_unchecked` is added where no zero check is recorded.
    """

    id: str
    title: str
    reading_kinds: list[str]
    dimension: str
    unit: str
    share: float
    floor: float
    resolution: float
    zero_unchecked: float = 0.0
    checked: Checked
    sources: list[str]
    note: str = ""


# sources/<key>.toml ---------------------------------------------------------------------------------------------


class Source(Record, frozen=True, kw_only=True):
    """A document or kind of knowledge that rules rest on."""

    id: str
    kind: Literal["standard", "handbook", "law", "paper", "rating", "practice", "derivation"]
    title: str
    publisher: str
    edition: str
    access: str
    checked: Checked
    note: str = ""


# criteria/<topic>/<id>.toml -------------------------------------------------------------------------------------


class Limit(Record, frozen=True, kw_only=True):
    """Limits of one criterion, in force from and until a date and under conditions.

    A bound is a number with `unit`, or `*_rating` (a rated number of the equipment) times `*_factor`.
    `when` lists observation tokens that must all hold.
    """

    unit: str | None = None
    lower: float | None = None
    upper: float | None = None
    lower_rating: str | None = None
    upper_rating: str | None = None
    lower_factor: float = 1.0
    upper_factor: float = 1.0
    when: list[str] = []
    from_date: datetime.date | None = None
    until_date: datetime.date | None = None
    source: str
    locator: str
    checked: Checked


class Criterion(Record, frozen=True, kw_only=True):
    """One comparison of one quantity with its limits. Tokens are `<id>.<verdict>`."""

    id: str
    title: str
    quantity: str
    decision_rule: DecisionRule
    confidence: float
    limit: list[Limit]
    report: bool = True
    note: str = ""


# diagnosis/<topic>/<id>.toml ------------------------------------------------------------------------------------


class Diagnosis(Record, frozen=True, kw_only=True):
    """One rule: the tokens that establish one conclusion, and the words, causes and readings that go with it.

    A rule without `severity` is an intermediate conclusion that other rules read as `conclusion:<id>`.
    """

    id: str
    title: str
    status: Literal["stable", "trial"]
    since: str
    when: list[str]
    concludes: str | None = None
    severity: Severity | None = None
    summary: str = ""
    why_it_matters: str = ""
    what_to_do: str = ""
    causes: list[str] = []
    next_readings: list[str] = []
    cautions: list[str] = []
    sources: list[str] = []
    known_false_alarms: list[str] = []

    @property
    def conclusion(self) -> str:
        """Token of the conclusion this rule establishes."""
        return f"conclusion:{self.concludes or self.id}"


Strength = Literal["nearly_always", "usually", "sometimes"]
"""How firmly a cause predicts a token."""

Prior = Literal["common", "usual", "rare"]
"""How often a cause is met before any reading."""

# vocabulary/causes/<topic>.toml ---------------------------------------------------------------------------------


class Cause(Record, frozen=True, kw_only=True):
    """A possible cause: what it needs to be thought of at all, what it predicts, what speaks against it, what
    rules it out. `fix` names what mending it does to the air path, where a projection can tell what that brings.

    `prior` is a class of `vocabulary/evidence.toml`; `strength` gives tokens of `expects` or `against` another class
    than the usual one.
    """

    title: str
    remedy: str
    needs: list[str] = []
    expects: list[str]
    against: list[str] = []
    excluded_by: list[str] = []
    prior: Prior = "usual"
    strength: dict[str, Strength] = {}
    cautions: list[str] = []
    fix: str | None = None


FixKind = Literal[
    "rated_drop", "opened", "usual_drop", "usual_share", "usual_face_velocity", "stretched", "sized", "design_airflow",
    "middle_of_rise", "table", "sealed",
]  # fmt: skip


class Fix(Record, frozen=True, kw_only=True):
    """What a cause mended means to the air path or the blower, so that a projection can tell what it would bring.

    `does` is the kind of step; `part` the kind of element it is about, or `side` the side whose ducts it is about;
    `criterion` the one whose upper limit, as in force for the visit, is where the step ends.
    """

    title: str
    meaning: str
    does: FixKind
    part: str | None = None
    side: Literal["return", "supply"] | None = None
    criterion: str | None = None
    checked: Checked
    sources: list[str]


# vocabulary/evidence.toml -----------------------------------------------------------------------------------------


class Weight(Record, frozen=True, kw_only=True):
    """One number of the method by which causes are ranked, what it means and how it was come by."""

    meaning: str
    value: float
    checked: Checked
    sources: list[str]


class Evidence(Record, frozen=True, kw_only=True):
    """How much evidence weighs; `rules/README.md` states the method that uses these numbers.

    `strengths` and `named` are odds factors above 1, `priors` and `not_listed` relative weights, `*_without`
    probabilities, `tie` a ratio above 1, `words` the least belief of each word; `settles` and `asked`
    are bits, `gravity` and `again` factors. `restatements` are groups of criteria that count once together.
    """

    strengths: dict[Strength, Weight]
    named: Weight
    priors: dict[Prior, Weight]
    not_listed: Weight
    beyond_without: Weight
    seldom_beyond_without: Weight
    seldom: list[str]
    seen_without: dict[str, Weight]
    tie: Weight
    words: dict[str, Weight]
    gravity: dict[Severity, Weight]
    settles: dict[Literal["not_measured", "undecided", "implausible"], Weight]
    asked: Weight
    again: Weight
    restatements: dict[str, list[str]]

    def weights(self) -> dict[str, Weight]:
        """Every number by its name in the file."""
        found: dict[str, Weight] = {}
        for name in self.__struct_fields__:
            entry = getattr(self, name)
            if isinstance(entry, Weight):
                found[name] = entry
            elif name not in ("restatements", "seldom"):
                found.update({f"{name}.{key}": weight for key, weight in entry.items()})
        return found


class ChangeKind(Record, frozen=True, kw_only=True):
    """A change that a projection can be asked for."""

    title: str
    meaning: str
    cautions: list[str] = []


# cautions/<id>.toml ---------------------------------------------------------------------------------------------


class EquipmentMatch(Record, frozen=True, kw_only=True):
    """Equipment that something belongs to. Of each list that is given the equipment must have one; what is not known
    of the equipment counts as had. `parts` are kinds of elements; `appliances` asks for a fuel-burning appliance."""

    arrangement: list[str] = []
    blower_kind: list[BlowerKind] = []
    heating: list[Heating] = []
    parts: list[str] = []
    appliances: bool = False


class Caution(Record, frozen=True, kw_only=True):
    """A caution text, what brings it up, and what it rests on.

    `with_tokens`: any one of these tokens (observations, verdicts, conclusions) brings it up; `with_equipment`: any one
    of these kinds of equipment; `always` does so on every evaluation. Rules, causes, changes, procedures and places
    name theirs. `people_at_risk` marks what can kill or maim: every hazard carries one of these.
    """

    id: str
    title: str
    text: str
    rests_on: str
    checked: Checked
    sources: list[str] = []
    with_tokens: list[str] = []
    with_equipment: list[EquipmentMatch] = []
    always: bool = False
    people_at_risk: bool = False


# access/<station or place>.toml, techniques/<id>.toml, procedures/<id>.toml -------------------------------------


class Access(Record, frozen=True, kw_only=True):
    """How a station or place is reached: where the port goes, on which side, what lies behind the metal.

    `where` holds for any equipment, `on` takes its place on an arrangement; `by_position` adds what matters where the
    air goes up, down or level through the equipment. `cautions_on` are further cautions on an arrangement.
    """

    id: str
    where: str
    on: dict[str, str] = {}
    by_position: dict[Position, str] = {}
    keep_clear: list[str] = []
    cautions: list[str] = []
    cautions_on: dict[str, list[str]] = {}


class Technique(Record, frozen=True, kw_only=True):
    """What several procedures have in common; the fields are those of `Procedure`."""

    id: str
    title: str
    probe: list[str] = []
    isolate_first: list[str] = []
    steps: list[str] = []
    settled_when: str = ""
    close_up: list[str] = []
    mistakes: list[str] = []
    sources: list[str]


class Procedure(Record, frozen=True, kw_only=True):
    """How to take one reading, for someone who never did.

    Every part holds something, of its own or of its technique, or says why there is nothing to do: `probe` which way
    it faces, which hose goes to which port and what sign follows; `isolate_first`; `steps` in order; `settled_when`;
    `close_up` how the hole is closed and things are put back; `mistakes` what can spoil the reading. The technique's
    sentences come first; `settled_when` of the procedure takes the place of the technique's.

    Attributes:
        purpose: what the reading is for, in words.
        station: the one place it is taken at; `locations`: further places that it tells how to read at;
            `elsewhere`: what to do at any other.
        where: where to read, beside what `Access` says of each location; `where_on` takes its place on an arrangement.
        component: for electrical readings and water temperatures, what the reading names.
        only_on: kinds of equipment that can have this reading; empty for any.
        in_place_of: the procedure that this is another way of; what that one gives, this one gives.
        gives: quantities it makes possible or settles.
    """

    id: str
    title: str
    purpose: str
    reading_kind: str
    station: str | None = None
    locations: list[str] = []
    component: str | None = None
    only_on: list[EquipmentMatch] = []
    in_place_of: str | None = None
    technique: str | None = None
    gives: list[str]
    where: str = ""
    where_on: dict[str, str] = {}
    elsewhere: str = ""
    probe: list[str] = []
    isolate_first: list[str] = []
    steps: list[str] = []
    settled_when: str = ""
    close_up: list[str] = []
    mistakes: list[str] = []
    cautions: list[str]
    sources: list[str]


# severity.toml --------------------------------------------------------------------------------------------------


class SeverityCriteria(Record, frozen=True, kw_only=True):
    """What a finding of one severity must bring; the words are in `rules/README.md`.

    Attributes:
        rests_on: kinds of source, one of which must be among the rule's own and among those of the limits that it
            reads as exceeded; empty where practice suffices.
        decision_rules: how the limits that it reads are decided; empty for any.
        must_be_proven: True where a token must hold that is neither `undecided`, `not_measured` nor `within`.
        people_at_risk: True where a caution so marked goes with it.
        defers_to: those to whom `what_to_do` must hand over, one of them.
    """

    meaning: str
    rests_on: list[str] = []
    decision_rules: list[DecisionRule] = []
    must_be_proven: bool = False
    people_at_risk: bool = False
    defers_to: list[str] = []


class Wording(Record, frozen=True, kw_only=True):
    """`wording.toml`: phrases that no text of the rules may hold, since nothing here declares anything safe."""

    never: list[str]


class Release(Record, frozen=True, kw_only=True):
    """`ruleset.toml`: which version this folder is."""

    version: str
    released: datetime.date
    title: str
    summary: str
    fan_out_limit: int


# languages/<code>/ ----------------------------------------------------------------------------------------------


class LanguageFacts(Record, frozen=True, kw_only=True):
    """`language.toml`: which language this is and how far its words may be relied on.

    `draft` words are not offered to clients and may be incomplete; `complete` ones must cover every record.
    `note` is shown with every answer in this language, in this language.
    """

    title: str
    status: Literal["draft", "complete"]
    note: str


class Language(msgspec.Struct, frozen=True):
    """The words of a ruleset in one further language.

    Attributes:
        facts: title, status and note.
        entries: kind of record -> id -> `of` (digest of the words translated) and the translated word fields, in the
            shape they have in the record.
        phrases: sentences of the service itself, translated; `{name}` stands for what differs from case to case.
    """

    facts: LanguageFacts
    entries: dict[str, dict[str, dict[str, Any]]]
    phrases: dict[str, str]


class Ruleset(msgspec.Struct, frozen=True):
    """Everything under one version of `rules/`, by id. `languages` by BCP 47 code; English is the original.
    `topics` tells the folder that each diagnosis lies in."""

    release: Release
    digest: str
    dimensions: dict[str, Dimension]
    quantities: dict[str, QuantityEntry]
    stations: dict[str, StationName]
    places: dict[str, Place]
    elements: dict[str, ElementKind]
    arrangements: dict[str, Arrangement]
    observations: dict[str, Observation]
    assumptions: dict[str, Assumption]
    instruments: dict[str, Instrument]
    sources: dict[str, Source]
    criteria: dict[str, Criterion]
    diagnoses: dict[str, Diagnosis]
    causes: dict[str, Cause]
    cautions: dict[str, Caution]
    procedures: dict[str, Procedure]
    evidence: Evidence
    changes: dict[str, ChangeKind] = {}
    fixes: dict[str, Fix] = {}
    access: dict[str, Access] = {}
    techniques: dict[str, Technique] = {}
    severities: dict[str, SeverityCriteria] = {}
    wording: Wording = Wording(never=[])
    languages: dict[str, Language] = {}
    topics: dict[str, str] = {}


# cases/<topic>/<rule>.toml ---------------------------------------------------------------------------------------


CaseKind = Literal["fires", "near_miss", "straddles", "missing"]
CASE_KINDS: tuple[CaseKind, ...] = ("fires", "near_miss", "straddles", "missing")


class Case(Record, frozen=True, kw_only=True):
    """One case of a rule: a visit from `cases/visits/`, what is changed in it, and what must follow.

    `set` gives numbers in the reading's own unit, by `<kind> <station or place> [<state>]`, or any value by JSON
    Pointer; `remove` takes the same names. `arithmetic` shows how the expected answer follows by hand.
    """

    kind: CaseKind
    title: str
    arithmetic: str
    visit: str
    state: str | None = None
    set: dict[str, float | int | str | bool] = {}
    remove: list[str] = []
    expect: list[str] = []
    expect_not: list[str] = []
    expect_verdicts: list[str] = []


class CaseFile(Record, frozen=True, kw_only=True):
    """All cases of one rule."""

    rule: str
    case: list[Case]
