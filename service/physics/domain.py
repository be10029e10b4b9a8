"""Refusals shared by all physics functions: a value lies in the formula's range, or `OutOfRange`.

Every comparison is written so that NaN fails it.
"""

from math import inf

from service.errors import OutOfRange


def within(name: str, value: float, low: float, high: float) -> None:
    """Raise `OutOfRange` unless low <= value <= high (all in the same unit)."""
    if not low <= value <= high:
        raise OutOfRange(name, value, low, high)


def positive(name: str, value: float) -> None:
    """Raise `OutOfRange` unless 0 < value < infinity (any unit)."""
    if not 0.0 < value < inf:
        raise OutOfRange(name, value, 0.0, inf)


def not_negative(name: str, value: float) -> None:
    """Raise `OutOfRange` unless 0 <= value < infinity (any unit)."""
    if not 0.0 <= value < inf:
        raise OutOfRange(name, value, 0.0, inf)


def share(name: str, value: float) -> None:
    """Raise `OutOfRange` unless 0 < value <= 1 (ratio, 1)."""
    if not 0.0 < value <= 1.0:
        raise OutOfRange(name, value, 0.0, 1.0)


def finite(name: str, value: float) -> None:
    """Raise `OutOfRange` unless value is a finite number (any unit)."""
    if not -inf < value < inf:
        raise OutOfRange(name, value, -inf, inf)
