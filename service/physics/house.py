"""Pressures and flows of a house: stack, wind, fans against the envelope, rooms, a carried barometer.

Pressures are indoor less outdoor unless said otherwise. Stack, wind and fan pressures in a house are 1 to 10 Pa, while
air itself weighs 12 Pa per metre and the weather moves it by 1 Pa within a minute or so: an absolute reading says
nothing about the house before height and drift are taken out.

Infiltration coefficients by storeys, terrain and shielding belong to the caller.
"""

from collections.abc import Sequence
from math import copysign, inf, sqrt

import msgspec

from service.errors import OutOfRange
from service.physics import domain
from service.physics.leakage import EXPONENT_RANGE, leakage_area, leakage_flow, pressure_at_flow

GRAVITY = 9.80665
"""m/s2, standard acceleration of free fall."""
TEMPERATURE_RANGE = (200.0, 340.0)
"""K; our own bound."""
_SQUARE_CENTIMETRES = 1e4
_LITRES = 1e3


def stack_pressure_per_metre(indoor_density: float, outdoor_density: float) -> float:
    """Change of the indoor-outdoor pressure difference with height; positive when the house is warmer.

    Parameters
    ----------
    indoor_density : float, kg/m3, above 0
    outdoor_density : float, kg/m3, above 0

    Returns
    -------
    float, Pa per m, signed

    Raises
    ------
    OutOfRange : outside these ranges

    Source: hydrostatics; HOF 2017 ch. 16 (stack pressure).
    """
    domain.positive("indoor_density", indoor_density)
    domain.positive("outdoor_density", outdoor_density)
    return GRAVITY * (outdoor_density - indoor_density)


def stack_pressure(height_above_neutral: float, indoor_density: float, outdoor_density: float) -> float:
    """Pressure indoor less outdoor that the stack effect makes at a height above the neutral level.

    Parameters
    ----------
    height_above_neutral : float, m, negative below it, -1 000 to 1 000
    indoor_density : float, kg/m3, above 0
    outdoor_density : float, kg/m3, above 0

    Returns
    -------
    float, Pa, signed

    Raises
    ------
    OutOfRange : outside these ranges

    Source: hydrostatics; HOF 2017 ch. 16 (stack pressure).
    """
    domain.within("height_above_neutral", height_above_neutral, -1_000.0, 1_000.0)
    return height_above_neutral * stack_pressure_per_metre(indoor_density, outdoor_density)


def wind_pressure(speed: float, density: float, pressure_coefficient: float) -> float:
    """Pressure of the wind on a surface, against the undisturbed air.

    Parameters
    ----------
    speed : float, m/s undisturbed at the height of the building, 0 or more
    density : float, kg/m3 outdoor, above 0
    pressure_coefficient : float, 1, about 0.6 windward, -0.3 leeward; -3 to 1.2

    Returns
    -------
    float, Pa, signed

    Raises
    ------
    OutOfRange : outside these ranges

    Source: HOF 2017 ch. 24 (wind pressure), p = C_p rho U^2 / 2; the typical coefficients from memory.
    """
    domain.not_negative("speed", speed)
    domain.positive("density", density)
    domain.within("pressure_coefficient", pressure_coefficient, -3.0, 1.2)
    return pressure_coefficient * 0.5 * density * speed * speed


def infiltration_from_leakage_area(
    effective_leakage_area: float,
    stack_coefficient: float,
    wind_coefficient: float,
    indoor_temperature: float,
    outdoor_temperature: float,
    wind_speed: float,
) -> float:
    """Infiltration of a house from its effective leakage area (Sherman and Grimsrud).

    Parameters
    ----------
    effective_leakage_area : float, m2 at 4 Pa and discharge coefficient 1, 0 or more
    stack_coefficient : float, 1 in the published unit (L/s)^2/(cm4 K), 0 to 0.01
    wind_coefficient : float, 1 in the published unit (L/s)^2/(cm4 (m/s)^2), 0 to 0.01
    indoor_temperature : float, K, 200 to 340
    outdoor_temperature : float, K, 200 to 340
    wind_speed : float, m/s as the coefficients' source defines it, 0 or more

    Returns
    -------
    float, m3/s

    Raises
    ------
    OutOfRange : outside these ranges

    Source: HOF 2001 ch. 26 (basic model), as quoted in the engineering reference of the US DOE's building
    simulation program: Q = A / 1000 sqrt(C_s dT + C_w U^2), A in cm2.
    """
    domain.not_negative("effective_leakage_area", effective_leakage_area)
    domain.within("stack_coefficient", stack_coefficient, 0.0, 0.01)
    domain.within("wind_coefficient", wind_coefficient, 0.0, 0.01)
    difference = _temperature_difference(indoor_temperature, outdoor_temperature)
    domain.not_negative("wind_speed", wind_speed)
    driving = stack_coefficient * difference + wind_coefficient * wind_speed * wind_speed
    return effective_leakage_area * _SQUARE_CENTIMETRES / _LITRES * sqrt(driving)


def infiltration_from_power_law(
    coefficient: float,
    exponent: float,
    stack_coefficient: float,
    wind_coefficient: float,
    shelter_factor: float,
    indoor_temperature: float,
    outdoor_temperature: float,
    wind_speed: float,
) -> float:
    """Infiltration of a house from its leakage coefficient and exponent (Walker and Wilson's AIM-2).

    Parameters
    ----------
    coefficient : float, m3/s at 1 Pa, 0 or more
    exponent : float, 1, 0.5 to 1
    stack_coefficient : float, 1 in the published unit (Pa/K)^n, 0 to 1
    wind_coefficient : float, 1 in the published unit (Pa s2/m2)^n, 0 to 1
    shelter_factor : float, 1, above 0 to 1
    indoor_temperature : float, K, 200 to 340
    outdoor_temperature : float, K, 200 to 340
    wind_speed : float, m/s at eaves height, unsheltered, 0 or more

    Returns
    -------
    float, m3/s

    Raises
    ------
    OutOfRange : outside these ranges

    Source: HOF 2001 ch. 26 (enhanced model), as quoted in the engineering reference of the US DOE's building
    simulation program: Q^2 = (c C_s dT^n)^2 + (c C_w (s U)^(2n))^2.
    """
    domain.not_negative("coefficient", coefficient)
    domain.within("exponent", exponent, *EXPONENT_RANGE)
    domain.within("stack_coefficient", stack_coefficient, 0.0, 1.0)
    domain.within("wind_coefficient", wind_coefficient, 0.0, 1.0)
    domain.share("shelter_factor", shelter_factor)
    difference = _temperature_difference(indoor_temperature, outdoor_temperature)
    domain.not_negative("wind_speed", wind_speed)
    stack = coefficient * stack_coefficient * float(difference**exponent)
    wind = coefficient * wind_coefficient * float((shelter_factor * wind_speed) ** (2.0 * exponent))
    return sqrt(stack * stack + wind * wind)


def stack_opening_flow(
    area: float, height_from_neutral: float, indoor_temperature: float, outdoor_temperature: float
) -> float:
    """Flow that the stack effect drives through a large opening, such as a door left open to a stairwell.

    The discharge coefficient is 0.40 + 0.0045 per kelvin of difference, which counts mixing of the two streams.

    Parameters
    ----------
    area : float, m2, the smaller of inlet and outlet, 0 or more
    height_from_neutral : float, m from the middle of the lower opening to the neutral level, 0 to 1 000
    indoor_temperature : float, K, 200 to 340
    outdoor_temperature : float, K, 200 to 340

    Returns
    -------
    float, m3/s

    Raises
    ------
    OutOfRange : outside these ranges, or the temperatures are more than 100 K apart

    Source: HOF 2009 ch. 16 eq. 38 and 39, as quoted in the engineering reference of the US DOE's building
    simulation program; the warmer temperature stands below the fraction line.
    """
    domain.not_negative("area", area)
    domain.within("height_from_neutral", height_from_neutral, 0.0, 1_000.0)
    difference = _temperature_difference(indoor_temperature, outdoor_temperature)
    if difference > 100.0:
        raise OutOfRange(
            "outdoor_temperature", outdoor_temperature, indoor_temperature - 100.0, indoor_temperature + 100.0
        )
    discharge = 0.40 + 0.0045 * difference
    warmer = max(indoor_temperature, outdoor_temperature)
    return discharge * area * sqrt(2.0 * GRAVITY * height_from_neutral * difference / warmer)


def pressure_from_net_flow(net_inflow: float, coefficient: float, exponent: float) -> float:
    """Pressure indoor less outdoor at which a house settles when fans and duct leaks move more in than out.

    Wind and stack effect, which act at once in a real house, are left out: it is the change that the fans make in calm
    weather, and the worst that an exhaust hood can do to a combustion zone with free air paths to it.

    Parameters
    ----------
    net_inflow : float, m3/s at the density of the leaking air, negative for an exhaust
    coefficient : float, m3/s at 1 Pa, of the envelope, above 0
    exponent : float, 1, 0.5 to 1

    Returns
    -------
    float, Pa, with the sign of `net_inflow`

    Raises
    ------
    OutOfRange : outside these ranges

    Source: conservation of mass with the power law of ASTM E779.
    """
    domain.finite("net_inflow", net_inflow)
    return copysign(pressure_at_flow(coefficient, exponent, abs(net_inflow)), net_inflow)


def net_flow_from_pressure(pressure_change: float, coefficient: float, exponent: float) -> float:
    """Net flow into a house that explains a change of its pressure; inverse of `pressure_from_net_flow`.

    Switching on the air handler with all doors open: a negative answer means more supply air lost outside than return
    air drawn from outside, a positive one the reverse. Equal leaks on both sides show nothing.

    Parameters
    ----------
    pressure_change : float, Pa indoor less outdoor, on less off, signed
    coefficient : float, m3/s at 1 Pa, of the envelope, 0 or more
    exponent : float, 1, 0.5 to 1

    Returns
    -------
    float, m3/s, with the sign of `pressure_change`

    Raises
    ------
    OutOfRange : outside these ranges

    Source: conservation of mass with the power law of ASTM E779.
    """
    domain.finite("pressure_change", pressure_change)
    return copysign(leakage_flow(coefficient, exponent, abs(pressure_change)), pressure_change)


def transfer_area(flow: float, pressure: float, density: float, discharge_coefficient: float = 0.6) -> float:
    """Free area that lets a room's supply air back out at a pressure, the door being closed.

    Parameters
    ----------
    flow : float, m3/s into the room less what a return takes from it, 0 or more
    pressure : float, Pa across the area, above 0
    density : float, kg/m3, above 0
    discharge_coefficient : float, 1, above 0 to 1; 0.6 for sharp-edged openings

    Returns
    -------
    float, m2

    Raises
    ------
    OutOfRange : outside these ranges

    Source: orifice equation. The trade's constant (cfm = 1.07 in2 sqrt(Pa), common practice, no source) is the
    same with a coefficient of 0.606.
    """
    return leakage_area(flow, pressure, density, discharge_coefficient)


def added_transfer_area(
    flow: float, measured_pressure: float, target_pressure: float, density: float, discharge_coefficient: float = 0.6
) -> float:
    """Free area to add to a closed room so that its pressure falls to a target, its gaps counted as they are.

    Parameters
    ----------
    flow : float, m3/s into the room less what a return takes from it, 0 or more
    measured_pressure : float, Pa across the closed door, size, at `flow`, at least `target_pressure`
    target_pressure : float, Pa, above 0
    density : float, kg/m3, above 0
    discharge_coefficient : float, 1, above 0 to 1

    Returns
    -------
    float, m2

    Raises
    ------
    OutOfRange : outside these ranges

    Source: orifice equation, once with the gaps that make the measured pressure and once with the area in all.
    """
    domain.positive("target_pressure", target_pressure)
    domain.within("measured_pressure", measured_pressure, target_pressure, 1e5)
    needed = transfer_area(flow, target_pressure, density, discharge_coefficient)
    return needed - transfer_area(flow, measured_pressure, density, discharge_coefficient)


def series_leakage_ratio(pressure_to_zone: float, pressure_zone_to_outside: float, exponent: float) -> float:
    """Leakage house-to-zone over leakage zone-to-outside, for an attic, garage or crawl space between the two.

    Parameters
    ----------
    pressure_to_zone : float, Pa between house and zone, size, above 0
    pressure_zone_to_outside : float, Pa between zone and outside, size, above 0
    exponent : float, 1, 0.5 to 1, of both

    Returns
    -------
    float, 1, ratio of the coefficients

    Raises
    ------
    OutOfRange : outside these ranges

    Source: the same air passes both leaks in turn; power law of ASTM E779.
    """
    domain.positive("pressure_to_zone", pressure_to_zone)
    domain.positive("pressure_zone_to_outside", pressure_zone_to_outside)
    domain.within("exponent", exponent, *EXPONENT_RANGE)
    return float((pressure_zone_to_outside / pressure_to_zone) ** exponent)


def barometric_lapse(density: float) -> float:
    """Fall of air pressure with height: what an error in height costs an absolute reading.

    Parameters
    ----------
    density : float, kg/m3, above 0

    Returns
    -------
    float, Pa per m

    Raises
    ------
    OutOfRange : outside this range

    Source: hydrostatics, rho g.
    """
    domain.positive("density", density)
    return GRAVITY * density


class CarriedDifference(msgspec.Struct, frozen=True, gc=False):
    """Pressure difference between two places from one barometer carried between them.

    The difference is linear in the readings: difference = sum of weights times (reading + density g height). So errors
    that vary from reading to reading enter through each weight, an offset of the instrument and a steady drift
    of weather or instrument not at all, and an error in the height between the places with density g. What the
    readings cannot show is a drift that bends: see `residual_deviation` when there are more than three.

    Parameters
    ----------
    difference : float, Pa, second place less first, at the same height
    drift : float, Pa per s, of weather and instrument together
    weights : tuple[float, ...], 1, one per reading; they sum to 0
    height_difference : float, m, second place less first, as the weights see it
    bracketed : bool, whether the times at the two places overlap; if not, the drift is carried on into the unknown
    degrees_of_freedom : int, number of readings less 3
    residual_deviation : float | None, Pa, scatter about difference and drift; None with three readings

    Source: `carried_difference`.
    """

    difference: float
    drift: float
    weights: tuple[float, ...]
    height_difference: float
    bracketed: bool
    degrees_of_freedom: int
    residual_deviation: float | None


def carried_difference(
    times: Sequence[float],
    pressures: Sequence[float],
    heights: Sequence[float],
    at_second: Sequence[bool],
    density: float,
) -> CarriedDifference:
    """Difference between two places from readings taken in turn with one absolute sensor, drift and height removed.

    Three readings A-B-A give the reading at B less the one at A interpolated to the same moment; more readings give
    least squares for a difference and one steady drift.

    Parameters
    ----------
    times : Sequence[float], s, shape (n,), n at least 3
    pressures : Sequence[float], Pa absolute, shape (n,), each 20 000 to 180 000
    heights : Sequence[float], m above a common level, shape (n,), each -1 000 to 1 000
    at_second : Sequence[bool], shape (n,), whether the reading was taken at the second place; both must occur
    density : float, kg/m3 of the air that the barometer was carried through in height, above 0

    Returns
    -------
    CarriedDifference, Pa, Pa per s, 1, m

    Raises
    ------
    OutOfRange : outside these ranges; also when the times cannot tell drift from difference (each place read at one
        moment only)

    Source: hydrostatics and ordinary least squares; symmetric sequences against linear drift (A-B-A) are metrology's
    usual way, as in NIST SOP 4 for weighing (from memory).
    """
    count = len(times)
    domain.within("number of times", count, 3, inf)
    domain.within("number of pressures", len(pressures), count, count)
    domain.within("number of heights", len(heights), count, count)
    domain.within("number of at_second", len(at_second), count, count)
    lapse = barometric_lapse(density)
    for time, pressure, height in zip(times, pressures, heights, strict=True):
        domain.finite("times", time)
        domain.within("pressures", pressure, 20_000.0, 180_000.0)
        domain.within("heights", height, -1_000.0, 1_000.0)
    second = sum(1 for each in at_second if each)
    domain.within("number of readings at the second place", second, 1, count - 1)

    # The part of the second-place indicator that a constant and a drift cannot imitate.
    mean_time = sum(times) / count
    since = [time - mean_time for time in times]
    indicator = [(1.0 if each else 0.0) - second / count for each in at_second]
    squares = sum(each * each for each in since)
    if squares == 0.0:
        raise OutOfRange("times", mean_time, mean_time, inf)
    slope = sum(a * b for a, b in zip(since, indicator, strict=True)) / squares
    own = [b - slope * a for a, b in zip(since, indicator, strict=True)]
    norm = sum(each * each for each in own)
    if norm < 1e-9:
        raise OutOfRange("times", mean_time, mean_time, inf)
    weights = tuple(each / norm for each in own)

    level = [p + lapse * z for p, z in zip(pressures, heights, strict=True)]
    reference = level[0]
    difference = sum(w * (p - reference) for w, p in zip(weights, level, strict=True))
    without = [p - reference - difference * b for p, b in zip(level, indicator, strict=True)]
    drift = sum(a * p for a, p in zip(since, without, strict=True)) / squares
    degrees = count - 3
    residual = None
    if degrees > 0:
        mean = sum(without) / count
        residual = sqrt(sum((p - mean - drift * a) ** 2 for a, p in zip(since, without, strict=True)) / degrees)
    first_times = [time for time, there in zip(times, at_second, strict=True) if not there]
    second_times = [time for time, there in zip(times, at_second, strict=True) if there]
    return CarriedDifference(
        difference=difference,
        drift=drift,
        weights=weights,
        height_difference=sum(w * z for w, z in zip(weights, heights, strict=True)),
        bracketed=min(first_times) < max(second_times) and min(second_times) < max(first_times),
        degrees_of_freedom=degrees,
        residual_deviation=residual,
    )


def _temperature_difference(indoor: float, outdoor: float) -> float:
    domain.within("indoor_temperature", indoor, *TEMPERATURE_RANGE)
    domain.within("outdoor_temperature", outdoor, *TEMPERATURE_RANGE)
    return abs(indoor - outdoor)
