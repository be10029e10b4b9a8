"""Two versions of the rules held against each other, record by record, and how large a step of the version that asks
for: words and citations are a patch, what is added is minor, a changed meaning or an id taken away is major."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import msgspec

from service.model.difference import STEPS, EntryChange, LimitChange, PartChange, RulesetDifference, Step
from service.model.ruleset import Criterion, Dimension, Language, Limit, Ruleset, Unit
from service.ruleset.languages import WORDS

SECTIONS: Mapping[str, str] = {
    "diagnoses": "rules",
    "criteria": "criteria",
    "quantities": "quantities",
    "causes": "causes",
    "cautions": "cautions",
    "procedures": "procedures",
}
"""Fields of a ruleset that come first, and what they are called; every other goes by its own name."""

WORDED = frozenset(
    {
        *("title", "meaning", "method", "note", "symbol", "decimals", "status", "since"),
        *("source", "sources", "locator", "checked", "access", "publisher", "edition"),
        *(name for fields in WORDS.values() for name in fields),
    }
)
"""Fields that say something to people or cite a source: what is judged does not depend on them."""

EXTENDED = frozenset({"causes", "next_readings", "cautions", "gives", "with_tokens", "reading_kinds", "spellings"})
"""Lists to which an entry may be added without a change of what was there."""

JUDGES_NOTHING = ("release", "digest", "languages", "topics")


def difference(ruleset: Ruleset, other: Ruleset) -> RulesetDifference:
    """What lies between a ruleset and another."""
    entries: list[EntryChange] = []
    names = [name for name in ruleset.__struct_fields__ if name not in JUDGES_NOTHING]
    for name in sorted(names, key=lambda name: list(SECTIONS).index(name) if name in SECTIONS else len(SECTIONS)):
        entries += _section(SECTIONS.get(name, name), _records(ruleset, name), _records(other, name))
    entries += _languages(ruleset.languages, other.languages)
    steps = [entry.step for entry in entries]
    return RulesetDifference(
        version=ruleset.release.version,
        digest=ruleset.digest,
        other_version=other.release.version,
        other_digest=other.digest,
        step=max(steps, key=STEPS.index) if steps else None,
        entries=tuple(entries),
    )


def affected_dates(found: RulesetDifference) -> list[datetime.date]:
    """Every date from or until which a limit is in force that was gained, lost or changed."""
    limits = [limit for entry in found.entries for change in entry.limits for limit in (change.before, change.after)]
    dates = {date for limit in limits if limit is not None for date in (limit.from_date, limit.until_date)}
    return sorted(date for date in dates if date is not None)


def _records(ruleset: Ruleset, name: str) -> Mapping[str, msgspec.Struct]:
    """The records of a section by id; a section that is one record has its name for an id."""
    held = getattr(ruleset, name)
    return held if isinstance(held, Mapping) else {} if held is None else {name: held}


def _section(
    section: str, before: Mapping[str, msgspec.Struct], after: Mapping[str, msgspec.Struct]
) -> Iterator[EntryChange]:
    cited = section == "sources"
    for key in sorted({*before, *after}):
        old, new = before.get(key), after.get(key)
        title = str(getattr(new if new is not None else old, "title", ""))
        if old is None:
            step: Step = "patch" if cited else "minor"
            yield EntryChange(section=section, id=key, title=title, change="gained", step=step)
        elif new is None:
            step = "patch" if cited else "major"
            yield EntryChange(section=section, id=key, title=title, change="lost", step=step)
        elif old != new:
            parts, limits, steps = _parts(section, old, new)
            yield EntryChange(
                section=section,
                id=key,
                title=title,
                change="changed",
                step="patch" if cited else max(steps, key=STEPS.index),
                parts=tuple(parts),
                limits=tuple(limits),
            )


def _parts(
    section: str, old: msgspec.Struct, new: msgspec.Struct
) -> tuple[list[PartChange], list[LimitChange], list[Step]]:
    parts: list[PartChange] = []
    limits: list[LimitChange] = []
    steps: list[Step] = []
    for name in new.__struct_fields__:
        before, after = getattr(old, name), getattr(new, name)
        if before == after:
            continue
        if isinstance(new, Criterion) and name == "limit":
            found = list(_limits(before, after))
            limits += [change for change, _ in found]
            steps += [step for _, step in found]
        elif isinstance(new, Dimension) and name == "unit":
            for part, step in _units(before, after):
                parts.append(part)
                steps.append(step)
        else:
            for part in _part(name, before, after):
                parts.append(part)
                steps.append(_step(section, part))
    return parts, limits, steps


def _part(name: str, before: object, after: object) -> Iterator[PartChange]:
    """What differs in a field; of a table, each of its fields, named with a dot."""
    if isinstance(before, list) and isinstance(after, list):
        old, new = [_text(one) or "" for one in before], [_text(one) or "" for one in after]
        yield PartChange(
            part=name,
            gained=tuple(one for one in new if one not in old),
            lost=tuple(one for one in old if one not in new),
        )
    elif (old_fields := _fields(before)) is not None and (new_fields := _fields(after)) is not None:
        for key in sorted({*old_fields, *new_fields}):
            if old_fields.get(key) != new_fields.get(key):
                yield from _part(f"{name}.{key}", old_fields.get(key), new_fields.get(key))
    else:
        yield PartChange(part=name, before=_text(before), after=_text(after))


def _fields(value: object) -> Mapping[str, object] | None:
    match value:
        case Mapping():
            return value
        case msgspec.Struct():
            return {name: getattr(value, name) for name in value.__struct_fields__}
        case _:
            return None


def _step(section: str, part: PartChange) -> Step:
    named = part.part.split(".")
    if not WORDED.isdisjoint((named[0], named[-1])) or (section == "quantities" and part.part == "needs"):
        return "patch"
    if part.part in EXTENDED and not part.lost:
        return "minor" if part.gained else "patch"
    return "major"


def _text(value: object) -> str | None:
    match value:
        case None:
            return None
        case str():
            return value
        case bool():
            return "yes" if value else "no"
        case float() | int():
            return f"{value:.12g}"
        case datetime.date():
            return value.isoformat()
        case _:
            return json.dumps(msgspec.to_builtins(value), ensure_ascii=False, sort_keys=True)


# Limits ----------------------------------------------------------------------------------------------------------


def _limits(before: Sequence[Limit], after: Sequence[Limit]) -> Iterator[tuple[LimitChange, Step]]:
    """The limits that differ: the same ones are paired first, then those for the same conditions and first date."""
    lost = [limit for limit in before if limit not in after]
    gained = [limit for limit in after if limit not in before]
    if not lost and not gained:  # the first that fits a visit decides, so that their order has a meaning
        yield LimitChange(change="changed", before=before[0], after=after[0]), "major"
        return
    for old in lost:
        new = next((limit for limit in gained if _applies(limit) == _applies(old)), None)
        if new is None:
            yield LimitChange(change="lost", before=old), "major"
            continue
        gained.remove(new)
        names = tuple(name for name in new.__struct_fields__ if getattr(old, name) != getattr(new, name))
        yield LimitChange(change="changed", before=old, after=new, parts=names), _limit_step(names, new, after)
    for new in gained:
        yield LimitChange(change="gained", after=new), "minor"


def _applies(limit: Limit) -> tuple[frozenset[str], datetime.date | None]:
    return frozenset(limit.when), limit.from_date


def _limit_step(names: Iterable[str], limit: Limit, all_limits: Sequence[Limit]) -> Step:
    """A limit that only ends where another takes over is no change of meaning: it is how a number changes."""
    judged = set(names) - WORDED
    if not judged:
        return "patch"
    until = limit.until_date
    succeeded = until is not None and any(
        other.from_date is not None
        and limit.when == other.when
        and other.from_date <= until + datetime.timedelta(days=1) <= (other.until_date or datetime.date.max)
        for other in all_limits
    )
    return "minor" if judged == {"until_date"} and succeeded else "major"


# Units -----------------------------------------------------------------------------------------------------------


def _units(before: Sequence[Unit], after: Sequence[Unit]) -> Iterator[tuple[PartChange, Step]]:
    old, new = {unit.code: unit for unit in before}, {unit.code: unit for unit in after}
    gained, lost = tuple(code for code in new if code not in old), tuple(code for code in old if code not in new)
    if gained or lost or list(old) != list(new):
        step: Step = "major" if lost else "minor" if gained else "patch"
        yield PartChange(part="unit", gained=gained, lost=lost), step
    for code in (code for code in old if code in new):
        for name in Unit.__struct_fields__:
            first, second = getattr(old[code], name), getattr(new[code], name)
            if first != second:
                for part in _part(name, first, second):
                    yield msgspec.structs.replace(part, part=f"unit {code}: {name}"), _step("dimensions", part)


def _languages(before: Mapping[str, Language], after: Mapping[str, Language]) -> Iterator[EntryChange]:
    for code in sorted({*before, *after}):
        old, new = before.get(code), after.get(code)
        named: Any = new or old
        entry = EntryChange(section="languages", id=code, title=named.facts.title, change="changed", step="patch")
        if old is None:
            yield msgspec.structs.replace(entry, change="gained", step="minor")
        elif new is None:
            yield msgspec.structs.replace(entry, change="lost", step="major")
        elif old != new:
            yield msgspec.structs.replace(entry, parts=(PartChange(part="words"),))
