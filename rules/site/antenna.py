"""The antenna's height over the mark, however the crew has measured it."""

from __future__ import annotations

import math

MOST_M = 20.0  # as in the site file: no tripod or mast that a crew measures up is higher


class HeightError(ValueError):
    """Figures that make no antenna height: the text says why, and what was expected."""


def vertical_height_m(slant_m: float, radius_m: float, offset_m: float = 0.0) -> float:
    """From the mark up to the antenna reference point (ARP), vertical: √(slant² − radius²) − offset, metres.

    `slant_m` is measured from the mark to the antenna's rim (or to the notches of its ground plane), `radius_m` from the
    antenna's axis to there, `offset_m` from the ARP up to the level of the rim, negative where the rim is below the ARP. The
    antenna's own drawing states the last two. Raises HeightError.

    Source: geometry (Pythagoras), for an antenna that is level and plumb over the mark; so does UNAVCO (support list, 2019).
    """
    if not all(math.isfinite(length) for length in (slant_m, radius_m, offset_m)):
        raise HeightError("the antenna height's figures are no numbers; expected metres")
    if radius_m < 0:
        raise HeightError(f"the antenna's radius is {radius_m:g} m; expected 0 or more")
    if slant_m <= radius_m:
        raise HeightError(f"the slant of {slant_m:g} m is not longer than the antenna's radius of {radius_m:g} m")
    height_m = math.sqrt(slant_m * slant_m - radius_m * radius_m) - offset_m
    if not 0.0 <= height_m <= MOST_M:
        raise HeightError(f"these figures make an antenna height of {height_m:.3f} m; expected 0 to {MOST_M:g} m")
    return height_m
