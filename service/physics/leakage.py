"""Air leakage of ducts and of the building envelope.

Leakage follows flow = coefficient * pressure^exponent (ASTM E779): the coefficient is the flow at 1 Pa, the
exponent lies between 0.5 (openings) and 1 (fine cracks). The power law is dimensional, so a coefficient holds
for the air it was measured with; `coefficient_for_air` carries it to another density and viscosity.

A test flow at 25 or 50 Pa is not the leakage of normal operation: `flow_at_other_pressure` takes it there.
"""

from collections.abc import Sequence
from math import exp, inf, log, sqrt
from typing import Literal

import msgspec

from service.errors import OutOfRange
from service.physics import domain

EXPONENT_RANGE = (0.5, 1.0)
"""1: from orifice to laminar flow; outside it is not leakage through fixed openings."""
VISCOSITY_RANGE = (1e-5, 3e-5)
"""Pa s: air from about -100 to 250 degC."""
EFFECTIVE_LEAKAGE = (4.0, 1.0)
"""Pa and discharge coefficient that define effective leakage area, ASTM E779."""
EQUIVALENT_LEAKAGE = (10.0, 0.611)
"""Pa and discharge coefficient that define equivalent leakage area, CAN/CGSB-149.10 (from memory)."""
REFERENCE_HEIGHT = 2.5
"""m, 8.202 ft, height of one storey in normalized leakage, ASHRAE 62.2."""


class LeakageFit(msgspec.Struct, frozen=True, gc=False):
    """Power law fitted to a multi-point test, with the scatter of the points about it.

    Errors common to all points (a gauge's scale, an unmoved baseline) do not show in the scatter.

    Parameters
    ----------
    coefficient : float, m3/s at 1 Pa
    exponent : float, 1; not confined to what leakage can have, so that an absurd test is seen
    log_coefficient_variance : float, 1, of the natural logarithm of `coefficient`
    exponent_variance : float, 1
    covariance : float, 1, of exponent and logarithm of coefficient; negative if most pressures are above 1 Pa
    residual_deviation : float, 1, standard deviation of the flows' logarithms about the line, with n - 2
    degrees_of_freedom : int, number of points less 2
    lowest_pressure : float, Pa
    highest_pressure : float, Pa

    Source: `fit`.
    """

    coefficient: float
    exponent: float
    log_coefficient_variance: float
    exponent_variance: float
    covariance: float
    residual_deviation: float
    degrees_of_freedom: int
    lowest_pressure: float
    highest_pressure: float


def leakage_flow(coefficient: float, exponent: float, pressure: float) -> float:
    """Leakage flow at a pressure difference.

    Parameters
    ----------
    coefficient : float, m3/s at 1 Pa, 0 or more
    exponent : float, 1, 0.5 to 1
    pressure : float, Pa, 0 or more, size of the difference

    Returns
    -------
    float, m3/s at the density the coefficient is for

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ASTM E779 (power law), in our own words.
    """
    domain.not_negative("coefficient", coefficient)
    domain.within("exponent", exponent, *EXPONENT_RANGE)
    domain.not_negative("pressure", pressure)
    return coefficient * float(pressure**exponent)


def pressure_at_flow(coefficient: float, exponent: float, flow: float) -> float:
    """Pressure difference that a flow makes across leaks; inverse of `leakage_flow`.

    Parameters
    ----------
    coefficient : float, m3/s at 1 Pa, above 0
    exponent : float, 1, 0.5 to 1
    flow : float, m3/s at the density the coefficient is for, 0 or more

    Returns
    -------
    float, Pa, 0 or more

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ASTM E779 (power law), solved for pressure.
    """
    domain.positive("coefficient", coefficient)
    domain.within("exponent", exponent, *EXPONENT_RANGE)
    domain.not_negative("flow", flow)
    return float((flow / coefficient) ** (1.0 / exponent))


def coefficient_from_point(flow: float, pressure: float, exponent: float) -> float:
    """Leakage coefficient from a single test point and an assumed exponent.

    The exponent's uncertainty enters as ln(pressure of interest / pressure of the test) times that of the exponent:
    nothing at the test's own pressure, and 2.5 % per 0.01 from 50 down to 4 Pa.

    Parameters
    ----------
    flow : float, m3/s, 0 or more
    pressure : float, Pa, above 0
    exponent : float, 1, 0.5 to 1

    Returns
    -------
    float, m3/s at 1 Pa

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ASTM E779 (power law), solved for the coefficient.
    """
    domain.not_negative("flow", flow)
    domain.positive("pressure", pressure)
    domain.within("exponent", exponent, *EXPONENT_RANGE)
    return flow / float(pressure**exponent)


def flow_at_other_pressure(flow: float, pressure: float, other_pressure: float, exponent: float) -> float:
    """Leakage flow at another pressure, as from a test pressure to the mean pressure in a running duct.

    Parameters
    ----------
    flow : float, m3/s at `pressure`, 0 or more
    pressure : float, Pa, above 0
    other_pressure : float, Pa, 0 or more
    exponent : float, 1, 0.5 to 1

    Returns
    -------
    float, m3/s at `other_pressure`

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ASTM E779 (power law).
    """
    domain.not_negative("flow", flow)
    domain.positive("pressure", pressure)
    domain.not_negative("other_pressure", other_pressure)
    domain.within("exponent", exponent, *EXPONENT_RANGE)
    return flow * float((other_pressure / pressure) ** exponent)


def exponent_from_two_points(flow: float, pressure: float, other_flow: float, other_pressure: float) -> float:
    """Exponent through two test points; not confined to what leakage can have, so that an absurd test is seen.

    Parameters
    ----------
    flow : float, m3/s, above 0
    pressure : float, Pa, above 0
    other_flow : float, m3/s, above 0
    other_pressure : float, Pa, above 0, other than `pressure`

    Returns
    -------
    float, 1

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ASTM E779 (power law), solved for the exponent.
    """
    domain.positive("flow", flow)
    domain.positive("pressure", pressure)
    domain.positive("other_flow", other_flow)
    domain.positive("other_pressure", other_pressure)
    if other_pressure == pressure:
        raise OutOfRange("other_pressure", other_pressure, pressure, inf)
    return log(other_flow / flow) / log(other_pressure / pressure)


def fit(pressures: Sequence[float], flows: Sequence[float]) -> LeakageFit:
    """Power law through three or more test points, by least squares in logarithms.

    Parameters
    ----------
    pressures : Sequence[float], Pa, shape (n,), n at least 3, each above 0 and at least two different; sizes of
        the induced difference, the baseline taken off
    flows : Sequence[float], m3/s, shape (n,), each above 0

    Returns
    -------
    LeakageFit, m3/s at 1 Pa, 1

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ASTM E779 annex (log-linear least squares and the variances of slope and intercept), in our own
    words; the covariance is that of ordinary least squares.
    """
    count = len(pressures)
    domain.within("number of pressures", count, 3, inf)
    domain.within("number of flows", len(flows), count, count)
    for pressure, flow in zip(pressures, flows, strict=True):
        domain.positive("pressures", pressure)
        domain.positive("flows", flow)
    x = [log(pressure) for pressure in pressures]
    y = [log(flow) for flow in flows]
    mean_x = sum(x) / count
    mean_y = sum(y) / count
    squares = sum((each - mean_x) ** 2 for each in x)
    lowest, highest = min(pressures), max(pressures)
    if lowest == highest:
        raise OutOfRange("pressures", highest, lowest, inf)
    exponent = sum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / squares
    residual = sum((b - mean_y - exponent * (a - mean_x)) ** 2 for a, b in zip(x, y, strict=True))
    variance = residual / (count - 2)
    logarithm = mean_y - exponent * mean_x
    domain.within("logarithm of the coefficient", logarithm, -700.0, 700.0)
    return LeakageFit(
        coefficient=exp(logarithm),
        exponent=exponent,
        log_coefficient_variance=variance * (1.0 / count + mean_x * mean_x / squares),
        exponent_variance=variance / squares,
        covariance=-variance * mean_x / squares,
        residual_deviation=sqrt(variance),
        degrees_of_freedom=count - 2,
        lowest_pressure=lowest,
        highest_pressure=highest,
    )


def fitted_flow_uncertainty(fitted: LeakageFit, pressure: float) -> float:
    """Relative standard uncertainty of the fitted flow at a pressure, from the scatter of the points.

    It grows away from the pressures of the test: at 4 Pa, a test from 15 to 60 Pa says much less than at 50.

    Parameters
    ----------
    fitted : LeakageFit, m3/s at 1 Pa, 1
    pressure : float, Pa, above 0

    Returns
    -------
    float, 1, share of the flow

    Raises
    ------
    OutOfRange : outside these ranges

    Source: variance of a line's value, var(ln C) + 2 ln(p) cov + ln(p)^2 var(n).
    """
    domain.positive("pressure", pressure)
    x = log(pressure)
    variance = fitted.log_coefficient_variance + x * (2.0 * fitted.covariance + x * fitted.exponent_variance)
    # Rounding may leave a tiny negative number where the points lie on the line.
    return sqrt(variance) if variance > 0.0 else 0.0


def leakage_area(flow: float, pressure: float, density: float, discharge_coefficient: float) -> float:
    """Area of one opening that would leak as much at a reference pressure.

    With `EFFECTIVE_LEAKAGE` (4 Pa, 1) it is the effective, with `EQUIVALENT_LEAKAGE` (10 Pa, 0.611) the equivalent
    leakage area. For one house the second is about 1.9 times the first: always say which.

    Parameters
    ----------
    flow : float, m3/s at `pressure`, 0 or more
    pressure : float, Pa, above 0
    density : float, kg/m3 of the leaking air, above 0
    discharge_coefficient : float, 1, above 0 to 1

    Returns
    -------
    float, m2

    Raises
    ------
    OutOfRange : outside these ranges

    Source: orifice equation; ASTM E779 for the effective area.
    """
    domain.not_negative("flow", flow)
    domain.positive("pressure", pressure)
    domain.positive("density", density)
    domain.share("discharge_coefficient", discharge_coefficient)
    return flow * sqrt(density / (2.0 * pressure)) / discharge_coefficient


def flow_through_area(area: float, pressure: float, density: float, discharge_coefficient: float) -> float:
    """Flow through one opening at a pressure difference; inverse of `leakage_area`.

    Parameters
    ----------
    area : float, m2, 0 or more
    pressure : float, Pa, 0 or more
    density : float, kg/m3 of the air passing, above 0
    discharge_coefficient : float, 1, above 0 to 1

    Returns
    -------
    float, m3/s

    Raises
    ------
    OutOfRange : outside these ranges

    Source: orifice equation.
    """
    domain.not_negative("area", area)
    domain.not_negative("pressure", pressure)
    domain.positive("density", density)
    domain.share("discharge_coefficient", discharge_coefficient)
    return discharge_coefficient * area * sqrt(2.0 * pressure / density)


def specific_leakage_area(effective_leakage_area: float, floor_area: float) -> float:
    """Effective leakage area per floor area.

    Parameters
    ----------
    effective_leakage_area : float, m2 at 4 Pa and discharge coefficient 1, 0 or more
    floor_area : float, m2, above 0

    Returns
    -------
    float, 1

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ANSI/RESNET/ICC 301, definition.
    """
    domain.not_negative("effective_leakage_area", effective_leakage_area)
    domain.positive("floor_area", floor_area)
    return effective_leakage_area / floor_area


def normalized_leakage(specific_leakage_area: float, height: float, height_exponent: float = 0.4) -> float:
    """Leakage told so that houses of different size and height compare.

    Parameters
    ----------
    specific_leakage_area : float, 1, 0 or more
    height : float, m from lowest to highest ceiling of the conditioned space, above 0
    height_exponent : float, 1, 0 to 1; 0.4 in ASHRAE 62.2 from 2013, 0.3 in ASHRAE 119 (from memory)

    Returns
    -------
    float, 1

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ASHRAE 62.2 (2013 and later), as coded in the open residential simulation workflow of NREL.
    """
    domain.not_negative("specific_leakage_area", specific_leakage_area)
    domain.positive("height", height)
    domain.within("height_exponent", height_exponent, 0.0, 1.0)
    return 1000.0 * specific_leakage_area * float((height / REFERENCE_HEIGHT) ** height_exponent)


def air_changes(flow: float, volume: float) -> float:
    """How often a flow fills a volume; 3600 times this is air changes per hour.

    Parameters
    ----------
    flow : float, m3/s, 0 or more
    volume : float, m3, above 0

    Returns
    -------
    float, 1 per s

    Raises
    ------
    OutOfRange : outside these ranges

    Source: definition.
    """
    domain.not_negative("flow", flow)
    domain.positive("volume", volume)
    return flow / volume


def viscosity(temperature: float) -> float:
    """Dynamic viscosity of air; it does not depend on pressure.

    Parameters
    ----------
    temperature : float, K, 173.15 to 473.15

    Returns
    -------
    float, Pa s

    Raises
    ------
    OutOfRange : outside this range

    Source: Sutherland's law with the constants of the US Standard Atmosphere 1976, as used by ASTM E779.
    """
    domain.within("temperature", temperature, 173.15, 473.15)
    return 1.458e-6 * float(temperature**1.5) / (temperature + 110.4)


def fan_flow_from_indicated(indicated_flow: float, density: float, calibration_density: float) -> float:
    """Flow through a test fan or flow meter whose pressure signal was read with its calibration at another density.

    Parameters
    ----------
    indicated_flow : float, m3/s, what the gauge shows, 0 or more
    density : float, kg/m3 of the air through the fan, above 0
    calibration_density : float, kg/m3 that the gauge assumes, above 0

    Returns
    -------
    float, m3/s actual at `density`

    Raises
    ------
    OutOfRange : outside these ranges

    Source: orifice equation; ASTM E779 and ISO 9972 correct the reading so, in our own words.
    """
    domain.not_negative("indicated_flow", indicated_flow)
    domain.positive("density", density)
    domain.positive("calibration_density", calibration_density)
    return indicated_flow * sqrt(calibration_density / density)


def envelope_flow_from_fan_flow(
    fan_flow: float,
    indoor_density: float,
    outdoor_density: float,
    direction: Literal["depressurisation", "pressurisation"],
) -> float:
    """Flow through the leaks of an envelope from the flow through the test fan.

    Depressurising, indoor air leaves through the fan and outdoor air enters through the leaks; pressurising, the
    other way round. The mass flows are equal.

    Parameters
    ----------
    fan_flow : float, m3/s actual at the fan, 0 or more
    indoor_density : float, kg/m3, above 0
    outdoor_density : float, kg/m3, above 0
    direction : Literal, `depressurisation` or `pressurisation`

    Returns
    -------
    float, m3/s at the density of the leaking air

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ASTM E779 (density correction of the fan flow), in our own words.
    """
    domain.not_negative("fan_flow", fan_flow)
    domain.positive("indoor_density", indoor_density)
    domain.positive("outdoor_density", outdoor_density)
    if direction == "depressurisation":
        return fan_flow * indoor_density / outdoor_density
    return fan_flow * outdoor_density / indoor_density


def coefficient_for_air(
    coefficient: float, exponent: float, density: float, viscosity: float, other_density: float, other_viscosity: float
) -> float:
    """Leakage coefficient for air of another density and viscosity, as for standard conditions.

    Parameters
    ----------
    coefficient : float, m3/s at 1 Pa, with leaking air of `density` and `viscosity`, 0 or more
    exponent : float, 1, 0.5 to 1
    density : float, kg/m3, above 0
    viscosity : float, Pa s, 1e-5 to 3e-5
    other_density : float, kg/m3, above 0
    other_viscosity : float, Pa s, 1e-5 to 3e-5

    Returns
    -------
    float, m3/s at 1 Pa, with air of the other density and viscosity

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ASTM E779: C0 = C (mu / mu0)^(2n-1) (rho / rho0)^(1-n). It also follows from dimensional analysis.
    """
    domain.not_negative("coefficient", coefficient)
    domain.within("exponent", exponent, *EXPONENT_RANGE)
    domain.positive("density", density)
    domain.within("viscosity", viscosity, *VISCOSITY_RANGE)
    domain.positive("other_density", other_density)
    domain.within("other_viscosity", other_viscosity, *VISCOSITY_RANGE)
    by_viscosity = float((viscosity / other_viscosity) ** (2.0 * exponent - 1.0))
    return coefficient * by_viscosity * float((density / other_density) ** (1.0 - exponent))


def induced_pressure(measured: float, baseline_before: float, baseline_after: float) -> float:
    """Pressure difference that a test induced: what was measured less the mean baseline with the fan off.

    Parameters
    ----------
    measured : float, Pa, signed
    baseline_before : float, Pa, signed, fan off and opening sealed
    baseline_after : float, Pa, signed

    Returns
    -------
    float, Pa, signed

    Raises
    ------
    OutOfRange : if a pressure is not finite

    Source: ASTM E779 and ISO 9972 (zero-flow pressure difference), in our own words.
    """
    domain.finite("measured", measured)
    domain.finite("baseline_before", baseline_before)
    domain.finite("baseline_after", baseline_after)
    return measured - 0.5 * (baseline_before + baseline_after)


def mixing_fraction(mixed: float, main: float, leak: float) -> float:
    """Share of leaked air in a mixture, as of attic air in the return, from a property that mixes by mass.

    Exact for humidity ratio and for enthalpy per kg of dry air, and then the share is one of dry-air mass. With dry
    bulbs it is nearly exact as long as no water evaporates or condenses: the specific heats of the two airs differ
    by 0.2 % for each 1 g/kg of humidity ratio. Its uncertainty is that of the temperatures over
    (leak - main): small differences say nothing. Outside 0 to 1 a reading is wrong or there is another source.

    Parameters
    ----------
    mixed : float, any unit U, after the leak
    main : float, U, of the air before the leak, as at the return grille
    leak : float, U, of the air that leaks in, other than `main`

    Returns
    -------
    float, 1

    Raises
    ------
    OutOfRange : if a value is not finite, or `leak` equals `main`

    Source: HOF 2017 ch. 1, adiabatic mixing of two streams (straight line between the two states).
    """
    domain.finite("mixed", mixed)
    domain.finite("main", main)
    domain.finite("leak", leak)
    if leak == main:
        raise OutOfRange("leak", leak, main, inf)
    return (mixed - main) / (leak - main)
