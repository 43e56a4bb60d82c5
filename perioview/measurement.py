"""The one thing every measuring function returns: a number that keeps its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

LIMITS_PCT = (0.0, 12.5, 25.0, 50.0, 100.0)
"""Where a percentage changes what it means: none, the cap of the normal distance, stages, all."""


@dataclass(frozen=True, slots=True)
class Measurement:
    """A value, its standard deviation and why it may be missing.

    Parameters
    ----------
    value : float
        NaN when it cannot be measured; `flags` then says why.
    sd : float
        One standard deviation, in the same unit; NaN when unknown.
    unit : str
        UCUM unit: ``mm``, ``%``, or ``px`` without a scale.
    flags : tuple of str
        Conditions that qualify the value.
    """

    value: float
    sd: float
    unit: str
    flags: tuple[str, ...] = ()

    @property
    def known(self) -> bool:
        """Whether there is a value at all."""
        return math.isfinite(self.value)


def missing(unit: str, *flags: str) -> Measurement:
    """Build the measurement of what could not be measured, with the reasons."""
    return Measurement(math.nan, math.nan, unit, flags)


def percent_text(value: float, digits: int = 1) -> str:
    """A percentage in figures that read as a limit only where it is one.

    Parameters
    ----------
    value : float
        0 to 100 as a rule.
    digits : int
        Decimals; one more where the rounded number would be a limit of the stages that the value
        does not reach: 24.96 is stage 2 and must not read as 25.0, which is stage 3.

    Returns
    -------
    str
    """
    value = round(value, 9) + 0.0
    for places in (digits, digits + 1):
        near = round(value, places)
        if near not in LIMITS_PCT or near == value:
            return f"{near + 0.0:.{places}f}"
    # Closer still: to the side on which it lies.
    step = 10.0 ** -(digits + 1)
    return f"{near + math.copysign(step, value - near):.{digits + 1}f}"


def shown(measured: Measurement, digits: int = 1) -> str:
    """A number with its SD, if it has one, or a dash."""
    if not measured.known:
        return "-"
    value = measured.value
    if measured.unit == "%":
        said = percent_text(value, digits)
    else:
        said = f"{round(value, digits) + 0.0:.{digits}f}"
    return f"{said} ± {measured.sd:.{digits}f}" if math.isfinite(measured.sd) else said
