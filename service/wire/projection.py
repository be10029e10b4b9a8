"""Projections written out as response structs, in one unit system."""

from __future__ import annotations

from msgspec import UNSET

from service.model.projection import ContextProjections, Projected, Projection, Projections
from service.model.ruleset import Ruleset
from service.model.units import UnitSystem, UnitTable
from service.wire import response as out
from service.wire.render import COVERAGE_FACTOR, DISCLAIMER
from service.wire.speech import ENGLISH, Speech


def projections(
    found: Projections, rules: Ruleset, units: UnitTable, system: UnitSystem, speech: Speech = ENGLISH
) -> out.ProjectionResult:
    """The projections as clients read them, in a unit system and a language."""
    say = speech.say
    writer = _Writer(rules, units, system, speech)
    return out.ProjectionResult(
        ruleset=out.RulesetReference(version=rules.release.version, digest=rules.digest),
        units=system,
        contexts=[writer.context(context) for context in found.contexts],
        cautions=[
            out.CautionView(
                code=entry.id,
                text=say(entry.text),
                rests_on=say(entry.rests_on),
                title=say(entry.title),
                checked=entry.checked,
            )
            for entry in (rules.cautions[name] for name in found.cautions)
        ],
        set_aside=[
            out.SetAsideView(pointer=entry.pointer, code=entry.code, detail=say(entry.detail), remedy=say(entry.remedy))
            for entry in found.set_aside
        ],
        disclaimer=say(DISCLAIMER),
        language=speech.code,
        translation_note=speech.note or UNSET,
    )


class _Writer:
    def __init__(self, rules: Ruleset, units: UnitTable, system: UnitSystem, speech: Speech) -> None:
        self.say = speech.say
        self.rules = rules
        self.units = units
        self.system: UnitSystem = system

    def context(self, found: ContextProjections) -> out.ContextProjectionView:
        state = found.state
        return out.ContextProjectionView(
            context=out.ContextView(
                state=state.id,
                mode=state.mode or UNSET,
                speed_setting=state.speed_setting or UNSET,
                area=found.area or UNSET,
            ),
            each=[self.change(entry) for entry in found.each],
            together=UNSET if found.together is None else self.change(found.together),
        )

    def change(self, found: Projection) -> out.ChangeView:
        return out.ChangeView(
            changes=list(found.indices),
            kinds=list(found.kinds),
            titles=[self.say(self.rules.changes[kind].title) for kind in found.kinds],
            quantities=[self.quantity(entry) for entry in found.quantities],
            notes=[self.say(note) for note in found.notes],
            not_projected=[
                out.NotProjectedView(
                    quantity=entry.subject,
                    reason=self.say(entry.reason),
                    missing=[self.say(text) for text in entry.missing],
                )
                for entry in found.not_projected
            ],
        )

    def quantity(self, found: Projected) -> out.ProjectedView:
        def value(number: float) -> out.Value:
            shown, code = self.units.shown(self.rules.quantities[found.name].dimension, number, self.system)
            return out.Value(value=float(f"{shown:.6g}"), unit=code)

        def spread(number: float) -> out.Value:
            dimension = self.rules.quantities[found.name].dimension
            shown, code = self.units.shown_difference(dimension, number, self.system)
            return out.Value(value=float(f"{shown:.6g}"), unit=code)

        return out.ProjectedView(
            name=found.name,
            title=self.say(self.rules.quantities[found.name].title),
            before=value(found.before.value),
            expanded_uncertainty_before=spread(COVERAGE_FACTOR * found.before.uncertainty),
            after=value(found.after.value),
            expanded_uncertainty_after=spread(COVERAGE_FACTOR * found.after.uncertainty),
            change=spread(found.change.value),
            expanded_uncertainty_of_change=spread(COVERAGE_FACTOR * found.change.uncertainty),
            coverage_factor=COVERAGE_FACTOR,
        )
