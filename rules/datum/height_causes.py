"""What is wrong with a height alone: the geoid, the antenna height, or the unit.

One function a cause; each gives the predictions of all the ways in which that cause comes about. H is the mark's height above
the geoid, h the ellipsoidal one, N = h − H the geoid separation, a the antenna height. H typed for h has no doubt of the geoid:
there N comes only from the project.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.geodesy import ExpectedArp
from witnesspost.rules.datum.prediction import ALONE, Prediction, Situation, up_only
from witnesspost.rules.gnss import HEIGHT_UNIT_M

_ANTENNA_HEIGHT = "the antenna height"
_FOOT_M = {"in international feet": HEIGHT_UNIT_M["ft"], "in US survey feet": HEIGHT_UNIT_M["us-ft"]}
_SLANT_RADII_M = (0.05, 0.20)  # of antennas in use, and how far the ARP lies under the mark that the slant is taken to:
_SLANT_DROP_M = 0.06  # common practice, no source
_TRIPOD_M = (1.0, 2.2)  # the antenna over the mark, from the lowest to the highest: common practice, no source
_OTHER_TRIPOD_M = 0.6  # from one day to the next, at most: common practice, no source
_EVERY_DAY = 20.0
_OTHER_MODEL_M = 0.5  # of a geoid model that is not at hand: common practice, no source
_MODEL_M = 0.02  # a receiver's N comes with a decimal or two, and its grid is coarser than the model


def orthometric_as_ellipsoidal(s: Situation) -> Iterator[Prediction]:
    """−N: H was typed where h belongs. Where control is ellipsoidal, H came from a model that nobody named.

    Source: common practice ("tens of metres is a missing geoid"), no source.
    """
    n = s.expected.separation_m
    if n is None:
        return
    if s.expected.above_geoid:
        yield up_only(s, "orthometric-as-ellipsoidal", -n, doubts=0.0)
        return
    by_model = up_only(s, "orthometric-as-ellipsoidal", -n, "by another geoid model")
    yield by_model._replace(vertical_m=_OTHER_MODEL_M + s.expected.geoid_error_m, family=ALONE, vague=abs(n) < 3.0)


def geoid_applied_twice(s: Situation) -> Iterator[Prediction]:
    """+N: h was typed where H belongs, and the base added its own model's N. Source: common practice, no source."""
    n = s.expected.separation_m
    if n is None:
        return
    yield up_only(s, "geoid-applied-twice", n, doubts=2.0)
    for name, other in s.separations.items():
        yield up_only(s, "geoid-applied-twice", other, f"by {name}")._replace(vertical_m=_MODEL_M + s.height_doubt_m)
    by_model = up_only(s, "geoid-applied-twice", n, "by another geoid model")
    yield by_model._replace(vertical_m=_OTHER_MODEL_M + s.height_doubt_m, family=ALONE, vague=abs(n) < 3.0)


def other_geoid(s: Situation) -> Iterator[Prediction]:
    """N₁ − N₂: H became h by a model other than the project's. Source: h = H + N, the definition of N."""
    for name, n in s.separations.items():
        if s.expected.separation_m is not None:
            way = up_only(s, "other-geoid", n - s.expected.separation_m, name, doubts=0.0)
            yield way._replace(vertical_m=_MODEL_M, vague=s.rover is not None)


def other_antenna_height(s: Situation, offset: Enu) -> Iterator[Prediction]:
    """The tripod stands higher or lower today than the plan has it, and nobody has said so: any height that a tripod can have.

    What a crew does rightly each morning comes before any mistake: its weight outdoes what fits as well by chance. Source:
    common practice, no source.
    """
    a, today_m = s.antenna_height_m, s.antenna_height_m + offset.up_m
    lowest_m, highest_m = _TRIPOD_M
    if s.height_untold and a > 0 and lowest_m <= today_m <= highest_m and abs(offset.up_m) <= _OTHER_TRIPOD_M:
        way = up_only(s, "other-antenna-height", offset.up_m, f"{today_m:.3f} m, not the plan's {a:.3f} m")
        yield way._replace(vertical_m=_OTHER_TRIPOD_M, weight=_EVERY_DAY, family=ALONE, vague=True)


def antenna_height_missing(s: Situation) -> Iterator[Prediction]:
    """−a: the mark's height was typed for the ARP's. Source: common practice, no source."""
    yield up_only(s, "antenna-height-missing", -s.antenna_height_m)


def antenna_height_doubled(s: Situation) -> Iterator[Prediction]:
    """+a: the antenna height was added to a height that included it. Source: common practice, no source."""
    yield up_only(s, "antenna-height-doubled", s.antenna_height_m)


def slant_as_vertical(s: Situation) -> Iterator[Prediction]:
    """The slant minus the vertical: vertical = √(s² − R²) + d, with R the antenna's radius and d ≤ 0 from the slant's
    mark down to the ARP. R and d are not in the site file: the whole range of antennas in use.

    Source: the formula is geometry; the radii common practice, no source.
    """
    a = s.antenna_height_m
    if a > 0:
        least, most = (math.hypot(a + drop, r) - a for r, drop in zip(_SLANT_RADII_M, (0, _SLANT_DROP_M), strict=True))
        way = up_only(s, "slant-as-vertical", (least + most) / 2)
        yield way._replace(vertical_m=way.vertical_m + (most - least) / 2, vague=True)


def feet_as_metres(s: Situation) -> Iterator[Prediction]:
    """A height v m, which is v/0.3048 ft, typed in feet where metres belong: v/0.3048 − v. Source: 85 FR 62698."""
    for what, height in _heights(s).items():
        for foot, metres in _FOOT_M.items():
            yield _scaled(s, "feet-as-metres", height, 1 / metres, what, foot)


def metres_as_feet(s: Situation) -> Iterator[Prediction]:
    """A height of v m taken for v ft: 0.3048·v − v. Source: 85 FR 62698."""
    for what, height in _heights(s).items():
        for foot, metres in _FOOT_M.items():
            yield _scaled(s, "metres-as-feet", height, metres, what, foot)


def above_geoid(arp: ExpectedArp) -> float | None:
    """H of the mark, where that is what the control sheet says."""
    return arp.mark_height_m - arp.separation_m if arp.above_geoid and arp.separation_m is not None else None


def _scaled(s: Situation, cause: str, height: float, factor: float, what: str, foot: str) -> Prediction:
    way = up_only(s, cause, height * factor - height, f"{what}, {foot}")
    return way._replace(family="antenna") if what == _ANTENNA_HEIGHT else way


def _heights(s: Situation) -> dict[str, float]:
    """The heights that somebody may have typed in the wrong unit."""
    arp = s.expected
    heights = {"the ellipsoidal height": arp.mark_height_m}
    orthometric_m = above_geoid(arp)
    if orthometric_m is not None:
        heights["the height above the geoid"] = orthometric_m
    if s.antenna_height_m > 0:
        heights[_ANTENNA_HEIGHT] = s.antenna_height_m
    return heights
