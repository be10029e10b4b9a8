"""Earlier visits put in order beside the visit they came with; what cannot be compared is set aside."""

from __future__ import annotations

import datetime
from collections.abc import Sequence

import msgspec

from service.model.visit import SetAside, Visit


def with_earlier(visit: Visit, earlier: Sequence[Visit]) -> Visit:
    """The visit with those earlier ones, in the order of the request, that can be put in time before it."""
    asides: list[SetAside] = []
    kept: dict[datetime.datetime, Visit] = {}
    for index, other in enumerate(earlier):
        pointer = f"#/earlier_visits/{index}"
        fault = _fault(visit, other, kept)
        if fault is None:
            assert other.visited_at is not None
            kept[other.visited_at] = msgspec.structs.replace(other, set_aside=())
            asides += [
                msgspec.structs.replace(aside, pointer=pointer + aside.pointer.removeprefix("#"))
                for aside in other.set_aside
            ]
        else:
            place, code, detail, remedy = fault
            asides.append(SetAside(f"{pointer}{place}", code, detail, remedy))
    return msgspec.structs.replace(
        visit,
        set_aside=(*visit.set_aside, *asides),
        earlier=tuple(kept[moment] for moment in sorted(kept)),
    )


def _fault(
    visit: Visit, other: Visit, kept: dict[datetime.datetime, Visit]
) -> tuple[str, str, str, str] | None:  # fmt: skip
    """Place, code, detail and remedy where a visit cannot be one before this one."""
    reference = other.equipment.reference
    if other.visited_at is None:
        return (
            "/visited_at",
            "visit_undated",
            "An earlier visit without a usable date cannot be put in order; it was left out.",
            "Give the date and time it took place, with offset.",
        )
    if visit.visited_at is None:
        return (
            "",
            "visit_order_unknown",
            "The visit being judged has no usable date, so what came before it is not known.",
            "Give visited_at of the visit itself.",
        )
    if other.visited_at >= visit.visited_at:
        return (
            "/visited_at",
            "visit_not_earlier",
            "This visit did not take place before the one being judged; it was left out.",
            "Judge the newest visit and send the others with it.",
        )
    if other.visited_at in kept:
        return (
            "/visited_at",
            "visit_moment_taken",
            "Another earlier visit took place at this very moment; the first of them was kept.",
            "Send each visit once; two visits of one day differ in their time.",
        )
    if reference is not None and visit.equipment.reference not in (None, reference):
        return (
            "/equipment/reference",
            "other_equipment",
            "This visit was to another equipment; it was left out.",
            "Send earlier visits to the same equipment only.",
        )
    return None
