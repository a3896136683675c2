"""What the hand does to a number: a digit another, two swapped, decimals left out.

One function a cause; each gives the predictions of all the ways in which that cause comes about.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterator

from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.digits import slips
from witnesspost.rules.datum.geodesy import enu, to_ecef
from witnesspost.rules.datum.height_causes import above_geoid
from witnesspost.rules.datum.prediction import SURE_HEIGHT_M, TELLS, TYPED_M, Prediction, Situation, arp_at, up_only
from witnesspost.rules.site.angles import degrees
from witnesspost.rules.site.model import Control

_CHANCE_M = 0.095  # two heights in five are a whole number of centimetres off, to 2 mm: so small a slip may be chance
_ANGLES = (("degrees", 1, (2, 3, 4, 5, 6)), ("minutes", 60, (1, 2, 3, 4)), ("seconds", 3600, (0, 1, 2)))


def digit_slip(s: Situation) -> Iterator[Prediction]:
    """One typed number with one digit another, two neighbours swapped or the point one place on or back, as the site file
    writes the number; or easting and northing both without their first digit, as an older grid of the country may have them.

    Source: common practice (the commonest slip of all), no source.
    """
    if s.control is not None:
        for name in ("latitude", "longitude", "easting", "northing"):
            for text, value in slips(getattr(s.control, name)):
                there = _typed(s, s.control, name, value)
                if math.isfinite(sum(there)):
                    yield arp_at("digit-slip", s, *there, f"the {name} as {text}")
        yield from _both_cut(s, s.control)
    heights: list[tuple[str, float, float]] = []
    if s.control is not None:
        heights.append(("height", s.control.height, s.expected.height_unit_m))
    if s.expected.above_geoid:
        heights.append(("ellipsoidal height", round(s.expected.mark_height_m, 3), 1.0))
    heights.append(("antenna height", round(s.antenna_height_m, 4), 1.0))
    for name, height, unit in heights:
        for text, value in slips(height):
            up_m = (float(value) - height) * unit
            if s.height_doubt_m > SURE_HEIGHT_M and any(math.isclose(float(value), height * by) for by in (0.1, 10.0)):
                continue
            # Neighbouring digits differ by one unit of their place: where the geoid is less sure, nothing tells them apart.
            if up_m and 10.0 ** math.floor(math.log10(abs(up_m)) + 1e-6) >= TELLS * s.height_doubt_m:
                way = up_only(s, "digit-slip", up_m, f"the {name} as {text}")
                yield way._replace(vague=abs(up_m) < _CHANCE_M)


def rounded(s: Situation) -> Iterator[Prediction]:
    """The mark's coordinate truncated or rounded to fewer decimals: degrees, minutes, seconds or grid; the height to 1 or
    0 decimals; one of the two or both. Source: common practice, no source.
    """
    arp = s.expected
    places = {"": Enu(0.0, 0.0, 0.0)}
    for which, (latitude, longitude) in _cut_places(s).items():
        there = to_ecef(latitude, longitude, arp.ellipsoidal_height_m, s.frame.ellipsoid)
        places[which] = enu(arp.ecef, there, s.frame.ellipsoid)
    heights = {"": 0.0}
    for what, height in (("H", above_geoid(arp)), ("h", arp.mark_height_m)):
        if height is not None:
            for decimals, how, cut in _cuts((0, 1)):
                value = height / arp.height_unit_m
                heights[f"{what} {how} to {decimals} decimals"] = cut(value) * arp.height_unit_m - height
    for where, (east, north, up) in places.items():
        for high, rise in heights.items():
            which = ", ".join(part for part in (where, high) if part)
            if which:
                yield Prediction("rounded", east, north, up + rise, TYPED_M, TYPED_M + s.height_doubt_m, which)


def _typed(s: Situation, control: Control, name: str, value: float | str) -> tuple[float, float]:
    """Where the point lands with one of its numbers mistyped: latitude and longitude, inf where the grid does not reach."""
    if name in ("easting", "northing"):
        easting, northing = control.easting or 0.0, control.northing or 0.0
        number = float(value)
        return s.frame.geographic(number, northing) if name == "easting" else s.frame.geographic(easting, number)
    latitude, longitude = control.latitude or 0.0, control.longitude or 0.0
    angles = (value, longitude) if name == "latitude" else (latitude, value)
    return s.frame.from_degrees(degrees(angles[0]), degrees(angles[1]))


def _both_cut(s: Situation, control: Control) -> Iterator[Prediction]:
    if control.easting is None or control.northing is None:
        return
    easting, northing = (_without_first_digit(number) for number in (control.easting, control.northing))
    if easting is None or northing is None:
        return
    there = s.frame.geographic(easting, northing)
    if math.isfinite(sum(there)):
        yield arp_at("digit-slip", s, *there, "the first digit of easting and northing left out")


def _without_first_digit(number: float) -> float | None:
    """None for a number under a million, which has no such digit."""
    top = 10.0 ** math.floor(math.log10(abs(number))) if number else 0.0
    return number - math.copysign(top * (abs(number) // top), number) if top >= 1e6 else None


def _cut_places(s: Situation) -> dict[str, tuple[float, float]]:
    """Latitude and longitude of the mark with fewer decimals, by what was cut."""
    arp = s.expected
    places: dict[str, tuple[float, float]] = {}
    for unit, per_degree, decimals in _ANGLES:
        for n, how, cut in _cuts(decimals):
            places[f"{unit} {how} to {n} decimals"] = (
                cut(arp.latitude * per_degree) / per_degree,
                cut(arp.longitude * per_degree) / per_degree,
            )
    if arp.grid is not None:
        for n, how, cut in _cuts((0, 1)):
            places[f"grid coordinates {how} to {n} decimals"] = s.frame.geographic(cut(arp.grid[0]), cut(arp.grid[1]))
    return places


def _cuts(decimals: tuple[int, ...]) -> list[tuple[int, str, Callable[[float], float]]]:
    return [
        (n, how, functools.partial(function, n)) for n in decimals for how, function in (("rounded", _round), ("cut", _cut))
    ]


def _round(decimals: int, value: float) -> float:
    return float(round(value, decimals))


def _cut(decimals: int, value: float) -> float:
    # A number typed with few decimals is a hair off in binary: without the nudge 7.3 would be truncated to 7.2.
    scaled = value * 10.0**decimals
    return math.trunc(scaled + math.copysign(1e-6, scaled)) / 10.0**decimals
