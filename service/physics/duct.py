"""Ducts: friction at the site's air density, fittings, flexible duct, and the size a flow needs.

Friction is Darcy-Weisbach with the friction factor of Colebrook from the library `fluids`, loaded when
first used (0.4 s). Below a Reynolds number of 2040 flow counts as laminar; between there and about
4000 it is neither, and the factor no better than a guess.

Roughness is the caller's. Usual values (HOF 2017 ch. 21, from memory): galvanised steel with seams 0.09 mm
(0.0003 ft), fibrous liner and fully stretched flexible duct 0.9 mm (0.003 ft).
"""

from collections.abc import Iterable
from math import exp, log, pi, sqrt

from service.errors import OutOfRange
from service.physics import domain

AIR_VISCOSITY = 1.82e-5
"""Pa s, air at about 20 degC; does not depend on pressure (CoolProp gives 1.82e-5)."""
LAMINAR_REYNOLDS = 2040.0
"""1; the switch of the library."""
RELATIVE_ROUGHNESS_RANGE = (0.0, 0.05)
"""1, the range of the Moody chart."""
REYNOLDS_RANGE = (0.0, 1e8)
"""1, the same."""
DIAMETER_RANGE = (0.02, 5.0)
"""m, within which a size is sought; our own bound."""
COMPRESSION_RANGE = (0.0, 0.30)
"""1, what the compression tests covered (from memory)."""
FLEXIBLE_DIAMETER_RANGE = (0.150, 0.255)
"""m: nominal 6 to 10 in., the ducts that were tested. Wider ones lose more than the formula says: a university's tests
found above four times the loss beyond 4 % at 12 to 16 in."""

_INCH = 0.0254


def velocity(flow: float, diameter: float) -> float:
    """Mean velocity in a round duct.

    Parameters
    ----------
    flow : float, m3/s actual, 0 or more
    diameter : float, m inside, above 0

    Returns
    -------
    float, m/s

    Raises
    ------
    OutOfRange : outside these ranges

    Source: conservation of volume.
    """
    domain.not_negative("flow", flow)
    domain.positive("diameter", diameter)
    return flow / (0.25 * pi * diameter * diameter)


def reynolds_number(flow: float, diameter: float, density: float, viscosity: float = AIR_VISCOSITY) -> float:
    """Reynolds number in a round duct.

    Parameters
    ----------
    flow : float, m3/s actual at `density`, 0 or more
    diameter : float, m inside, above 0
    density : float, kg/m3, above 0
    viscosity : float, Pa s, above 0

    Returns
    -------
    float, 1

    Raises
    ------
    OutOfRange : outside these ranges

    Source: definition.
    """
    domain.positive("density", density)
    domain.positive("viscosity", viscosity)
    return density * velocity(flow, diameter) * diameter / viscosity


def friction_factor(reynolds: float, relative_roughness: float) -> float:
    """Darcy friction factor.

    Parameters
    ----------
    reynolds : float, 1, above 0 to 1e8
    relative_roughness : float, 1, roughness over diameter, 0 to 0.05

    Returns
    -------
    float, 1

    Raises
    ------
    OutOfRange : outside these ranges

    Source: Colebrook's equation (HOF 2017 ch. 21), solved by `fluids`; 64/Re below 2040.
    """
    domain.positive("reynolds", reynolds)
    domain.within("reynolds", reynolds, *REYNOLDS_RANGE)
    domain.within("relative_roughness", relative_roughness, *RELATIVE_ROUGHNESS_RANGE)
    from fluids import friction  # numpy and scipy come with it: only who sizes a duct pays

    return float(friction.friction_factor(reynolds, relative_roughness, Method="Colebrook"))


def loss_per_length(
    flow: float, diameter: float, roughness: float, density: float, viscosity: float = AIR_VISCOSITY
) -> float:
    """Pressure a straight round duct loses per length.

    Parameters
    ----------
    flow : float, m3/s actual at `density`, 0 or more
    diameter : float, m inside, above 0
    roughness : float, m, 0 to 0.05 of the diameter
    density : float, kg/m3, above 0
    viscosity : float, Pa s, above 0

    Returns
    -------
    float, Pa/m; 1 Pa/m is 0.122 in. of water per 100 ft

    Raises
    ------
    OutOfRange : outside these ranges

    Source: Darcy-Weisbach (HOF 2017 ch. 21).
    """
    reynolds = reynolds_number(flow, diameter, density, viscosity)
    relative = roughness / diameter
    domain.within("relative_roughness", relative, *RELATIVE_ROUGHNESS_RANGE)
    if reynolds == 0.0:
        return 0.0
    return friction_factor(reynolds, relative) / diameter * 0.5 * density * velocity(flow, diameter) ** 2


def loss(
    flow: float,
    diameter: float,
    effective_length: float,
    roughness: float,
    density: float,
    viscosity: float = AIR_VISCOSITY,
    compression_factor: float = 1.0,
) -> float:
    """Pressure a duct run loses, its fittings told as length.

    Parameters
    ----------
    flow : float, m3/s actual at `density`, 0 or more
    diameter : float, m inside, above 0; of a rectangular duct `equivalent_diameter`
    effective_length : float, m, straight length plus the equivalent lengths of the fittings, 0 or more
    roughness : float, m, 0 to 0.05 of the diameter
    density : float, kg/m3, above 0
    viscosity : float, Pa s, above 0
    compression_factor : float, 1, 1 or more, from `flexible_compression_factor`

    Returns
    -------
    float, Pa

    Raises
    ------
    OutOfRange : outside these ranges

    Source: Darcy-Weisbach with equivalent lengths (ACCA Manual D idea).
    """
    domain.not_negative("effective_length", effective_length)
    domain.within("compression_factor", compression_factor, 1.0, 1e3)
    return loss_per_length(flow, diameter, roughness, density, viscosity) * effective_length * compression_factor


def flow_exponent(
    flow: float, diameter: float, roughness: float, density: float, viscosity: float = AIR_VISCOSITY
) -> float:
    """Exponent with which a duct's loss goes with flow, near a flow.

    Parameters
    ----------
    flow : float, m3/s actual at `density`, above 0
    diameter : float, m inside, above 0
    roughness : float, m, 0 to 0.05 of the diameter
    density : float, kg/m3, above 0
    viscosity : float, Pa s, above 0

    Returns
    -------
    float, 1: 1 if laminar, up to 2 if fully rough

    Raises
    ------
    OutOfRange : outside these ranges, or within 1 % of the switch from laminar flow, where there is none

    Source: slope of Colebrook's equation over 1 % of flow to each side.
    """
    domain.positive("flow", flow)
    reynolds = reynolds_number(flow, diameter, density, viscosity)
    if 0.99 * LAMINAR_REYNOLDS < reynolds < LAMINAR_REYNOLDS / 0.99:
        raise OutOfRange("reynolds", reynolds, LAMINAR_REYNOLDS / 0.99, REYNOLDS_RANGE[1])
    if reynolds < LAMINAR_REYNOLDS:
        return 1.0
    low = loss_per_length(0.99 * flow, diameter, roughness, density, viscosity)
    high = loss_per_length(flow / 0.99, diameter, roughness, density, viscosity)
    return min(0.5 * log(high / low) / log(1.0 / 0.99), 2.0)  # the last bits of a fully rough duct


def equivalent_length(loss_coefficient: float, diameter: float, friction: float) -> float:
    """Straight length that loses as much as a fitting.

    Parameters
    ----------
    loss_coefficient : float, 1, of the fitting, 0 or more
    diameter : float, m inside, above 0
    friction : float, 1, Darcy friction factor, above 0

    Returns
    -------
    float, m

    Raises
    ------
    OutOfRange : outside these ranges

    Source: C p_v = f L/D p_v solved for L.
    """
    domain.not_negative("loss_coefficient", loss_coefficient)
    domain.positive("diameter", diameter)
    domain.positive("friction", friction)
    return loss_coefficient * diameter / friction


def flexible_compression_factor(compression: float, diameter: float) -> float:
    """How many times the loss of the fully stretched flexible duct a compressed one has.

    Parameters
    ----------
    compression : float, 1, share of the stretched length that was not pulled out, 0 to 0.30
    diameter : float, m inside, 0.150 to 0.255

    Returns
    -------
    float, 1

    Raises
    ------
    OutOfRange : outside what was tested

    Source: formula 1 + 0.58 K exp(-0.126 D), K in % and D in inches, from memory; from a national laboratory's tests of
    6, 8 and 10 in. ducts (Abushakra, Walker, Sherman), whose abstract reports four times for moderate compression and
    near ten beyond. Sag and bends come on top.
    """
    domain.within("compression", compression, *COMPRESSION_RANGE)
    domain.within("diameter", diameter, *FLEXIBLE_DIAMETER_RANGE)
    return 1.0 + 0.58 * 100.0 * compression * exp(-0.126 * diameter / _INCH)


def equivalent_diameter(width: float, height: float) -> float:
    """Diameter of the round duct that loses the same at the same flow as a rectangular one.

    Parameters
    ----------
    width : float, m inside, above 0
    height : float, m inside, above 0

    Returns
    -------
    float, m; velocity in the real duct is still flow over width times height

    Raises
    ------
    OutOfRange : outside these ranges

    Source: 1.30 (ab)^0.625 / (a + b)^0.25 (Huebscher; HOF 2017 ch. 21).
    """
    domain.positive("width", width)
    domain.positive("height", height)
    return 1.30 * float((width * height) ** 0.625 / (width + height) ** 0.25)


def hydraulic_diameter(width: float, height: float) -> float:
    """Four times area over perimeter of a rectangular duct; goes with its velocity, not with its flow.

    Parameters
    ----------
    width : float, m inside, above 0
    height : float, m inside, above 0

    Returns
    -------
    float, m; not interchangeable with `equivalent_diameter`

    Raises
    ------
    OutOfRange : outside these ranges

    Source: definition.
    """
    domain.positive("width", width)
    domain.positive("height", height)
    return 2.0 * width * height / (width + height)


def available_static_pressure(external_static_pressure: float, device_drops: Iterable[float]) -> float:
    """Pressure left for the ducts once filter, coil, registers, grilles and dampers have had theirs.

    Parameters
    ----------
    external_static_pressure : float, Pa that the blower gives at the design flow, 0 or more
    device_drops : Iterable[float], Pa, at the design flow, each 0 or more

    Returns
    -------
    float, Pa; 0 or less says that nothing is left

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ACCA Manual D idea, in our own words (from memory).
    """
    domain.not_negative("external_static_pressure", external_static_pressure)
    left = external_static_pressure
    for drop in device_drops:
        domain.not_negative("device_drop", drop)
        left -= drop
    return left


def friction_rate(available: float, total_effective_length: float) -> float:
    """Pressure per length that the longest way through the ducts may use.

    Parameters
    ----------
    available : float, Pa, from `available_static_pressure`, above 0
    total_effective_length : float, m, longest return plus longest supply run, fittings included, above 0

    Returns
    -------
    float, Pa/m

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ACCA Manual D idea, in our own words (from memory).
    """
    domain.positive("available", available)
    domain.positive("total_effective_length", total_effective_length)
    return available / total_effective_length


def diameter_for_flow(
    flow: float, rate: float, roughness: float, density: float, viscosity: float = AIR_VISCOSITY
) -> float:
    """Inside diameter of the round duct that carries a flow at a friction rate.

    Parameters
    ----------
    flow : float, m3/s actual at `density`, above 0
    rate : float, Pa/m, above 0; of compressed flexible duct, the friction rate over its compression factor
    roughness : float, m, 0 or more
    density : float, kg/m3, above 0
    viscosity : float, Pa s, above 0

    Returns
    -------
    float, m, within 0.02 to 5; the next larger size that is made serves

    Raises
    ------
    OutOfRange : outside these ranges, or no diameter between 0.02 and 5 m does it; `rate` then tells
        the rates that they give

    Source: `loss_per_length`, solved by Brent's method (scipy).
    """
    domain.positive("flow", flow)
    domain.positive("rate", rate)
    domain.not_negative("roughness", roughness)
    narrow = max(DIAMETER_RANGE[0], roughness / RELATIVE_ROUGHNESS_RANGE[1] * (1.0 + 1e-9))
    wide = DIAMETER_RANGE[1]
    domain.within("roughness", roughness, 0.0, wide * RELATIVE_ROUGHNESS_RANGE[1])

    def loss_at(diameter: float) -> float:
        return loss_per_length(flow, diameter, roughness, density, viscosity)

    least, most = loss_at(wide), loss_at(narrow)
    domain.within("rate", rate, least, most)
    from scipy.optimize import brentq

    # The logarithms lie nearly on a straight line, which the method meets in a few steps.
    low, high = log(narrow), log(wide)

    def excess(level: float) -> float:
        loss = {low: most, high: least}.get(level)
        return log(max(loss_at(exp(level)) if loss is None else loss, 1e-300) / rate)

    return float(exp(brentq(excess, low, high, xtol=1e-10)))


def flow_for_diameter(
    diameter: float, rate: float, roughness: float, density: float, viscosity: float = AIR_VISCOSITY
) -> float:
    """Flow that a round duct carries at a friction rate; inverse of `diameter_for_flow`.

    Parameters
    ----------
    diameter : float, m inside, above 0
    rate : float, Pa/m, above 0
    roughness : float, m, 0 to 0.05 of the diameter
    density : float, kg/m3, above 0
    viscosity : float, Pa s, above 0

    Returns
    -------
    float, m3/s actual at `density`

    Raises
    ------
    OutOfRange : outside these ranges

    Source: `loss_per_length`, solved by Brent's method (scipy).
    """
    domain.positive("rate", rate)
    domain.positive("diameter", diameter)
    domain.positive("density", density)
    domain.positive("viscosity", viscosity)
    domain.within("relative_roughness", roughness / diameter, *RELATIVE_ROUGHNESS_RANGE)
    area = 0.25 * pi * diameter * diameter
    # A friction factor of 0.005 is below every turbulent one; a laminar flow of the same rate is slower still.
    most = area * sqrt(2.0 * diameter * rate / (0.005 * density))

    def excess(flow: float) -> float:
        return loss_per_length(flow, diameter, roughness, density, viscosity) - rate

    from scipy.optimize import brentq

    return float(brentq(excess, 0.0, most, xtol=1e-12, rtol=1e-12))
