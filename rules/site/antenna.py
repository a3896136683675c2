"""The antenna's height over the mark, however the crew has measured it, and whether it can be what was typed."""

from __future__ import annotations

import math
from typing import Literal

from witnesspost.rules.gnss import HEIGHT_UNIT_M

HeightDoubt = Literal["feet-as-metres", "metres-as-feet", "height-over-tripods"]

MOST_M = 20.0  # as in the site file: no tripod or mast that a crew measures up is higher
FOOT_M = HEIGHT_UNIT_M["ft"]  # the US survey foot is 2 ppm longer: a hundredth of a millimetre here (85 FR 62698)
WRONG_UNIT: frozenset[str] = frozenset(("feet-as-metres", "metres-as-feet"))
"""Doubts of a height that is the expected one in another unit."""
_TRIPOD_M = 4.0  # no tripod is higher; masts and pillars are: common practice, no source
_TYPED_M = 0.0021  # millimetres of metres, or hundredths of a foot
_LEAST_M = 0.02  # two heights that agree this well are one


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


def height_doubt(said_m: float | None, expected_m: float) -> HeightDoubt | None:
    """Why an antenna height that a base says is hardly the day's: the foot is between it and the one expected, or no tripod is
    as high. A slant is never so far from the vertical. None where the base says none, or one that a crew may well have set up.
    """
    if not said_m or abs(said_m - expected_m) <= _LEAST_M:
        return None
    if abs(said_m * FOOT_M - expected_m) <= _TYPED_M:
        return "feet-as-metres"
    if abs(said_m / FOOT_M - expected_m) <= _TYPED_M:
        return "metres-as-feet"
    return "height-over-tripods" if said_m > _TRIPOD_M >= expected_m else None


def believed_m(said_m: float | None, expected_m: float) -> float:
    """The height that the mark is judged under: the one that the base says, unless it says none or in the wrong unit."""
    return expected_m if not said_m or height_doubt(said_m, expected_m) in WRONG_UNIT else said_m
