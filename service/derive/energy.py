"""What the fan costs in a year, and the restriction that a blower holding its airflow shows in its watts."""

from __future__ import annotations

from service.derive.airflow import blower_density, fan_table, table_of
from service.derive.propagate import combine, propagate, ratio, with_tolerance
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.physics import blower as fan


def derive_energy(sheet: Worksheet) -> None:
    """Yearly energy and cost, and the static pressure that the watts tell."""
    _year(sheet)
    _pressure_from_power(sheet)


def _year(sheet: Worksheet) -> None:
    use, power = sheet.visit.energy, sheet.get("blower_power")
    if use is None:
        return
    if power is None:
        for name in ("yearly_fan_energy", *(() if use.price_per_joule is None else ("yearly_fan_cost",))):
            sheet.lack(name, "electric_power of the blower")
        return
    energy = sheet.record(
        "yearly_fan_energy",
        combine((use.seconds_per_year, power)),
        "blower power in this state times the hours of a year",
        ("blower_power", "energy_use.blower_hours_per_year"),
    )
    if use.price_per_joule is not None:
        sheet.record(
            "yearly_fan_cost",
            combine((use.price_per_joule, energy)),
            f"yearly energy times its price{'' if use.currency is None else f', in {use.currency}'}",
            ("yearly_fan_energy", "energy_use.price_per_kilowatt_hour"),
        )


def _pressure_from_power(sheet: Worksheet) -> None:
    """The row of the table at which a constant-airflow blower draws the watts that were read."""
    name, share = "static_pressure_from_power", "static_pressure_from_power_to_rating"
    table = table_of(sheet)
    if sheet.visit.equipment.blower_kind != "constant_airflow" or table is None or table.points[0].power is None:
        return
    power, density = sheet.get("blower_power"), blower_density(sheet)
    rated = sheet.visit.equipment.ratings.get("maximum_external_static_pressure")
    if power is None or density is None:
        missing = "electric_power of the blower" if power is None else "site elevation or station_pressure reading"
        sheet.lack(name, missing)
        sheet.lack(share, missing)
        return
    rows = fan_table(table)
    power = with_tolerance(power, "rating.blower_table_power", sheet.tolerance("blower_table_power"))
    try:
        found = propagate(lambda w, rho: fan.pressure_at_power(rows, w, rho), power, density)
    except OutOfRange:
        missing = "a blower power within the rows of the blower table, rising with pressure"
        sheet.lack(name, missing)
        sheet.lack(share, missing)
        return
    sheet.record(
        name, found, f"blower table, setting {table.setting}, entered with the watts",
        ("blower_power", "return_air_density", f"blower_table.{table.setting}"),
    )  # fmt: skip
    if rated is None:
        sheet.lack(share, "rated_maximum_external_static_pressure")
        return
    sheet.attempt(
        share, "static pressure told by the watts over the rated maximum",
        (name, "rating.maximum_external_static_pressure"), lambda: ratio(found, rated),
    )  # fmt: skip
