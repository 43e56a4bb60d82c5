"""The one thing every measuring function returns: a number that keeps its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass


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


def shown(measured: Measurement, digits: int = 1) -> str:
    """A number with its SD, or a dash."""
    if not measured.known:
        return "-"
    return f"{measured.value:.{digits}f} ± {measured.sd:.{digits}f}"
