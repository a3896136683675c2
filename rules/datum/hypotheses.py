"""What each cause of a wrong coordinate predicts: east, north and up of what was said from what is right.

One function a cause, in the order of `ORDER`; each gives the predictions of all the ways in which that cause comes about.
The ways share the cause's weight, so that a cause with many ways has no better chance of fitting by luck.
H is the mark's height above the geoid, h the ellipsoidal one, N = h − H the geoid separation, a the antenna height.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterator
from typing import NamedTuple

from msgspec import Struct
from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.datum.frames import Frame, epoch_shift, frame_shifts
from witnesspost.rules.datum.geodesy import ExpectedArp, enu, from_enu, to_ecef
from witnesspost.rules.datum.zones import next_zones

ORDER = (
    "orthometric-as-ellipsoidal", "geoid-applied-twice", "other-geoid",
    "antenna-height-missing", "antenna-height-doubled", "slant-as-vertical",
    "feet-as-metres", "metres-as-feet", "survey-foot", "frame-shift", "epoch-shift",
    "other-control-point", "sign-or-order", "other-zone", "rounded", "autonomous-base",
)  # fmt: skip
FAMILY = {
    **dict.fromkeys(("orthometric-as-ellipsoidal", "geoid-applied-twice", "other-geoid"), "geoid"),
    **dict.fromkeys(("antenna-height-missing", "antenna-height-doubled", "slant-as-vertical"), "antenna"),
    **dict.fromkeys(("feet-as-metres", "metres-as-feet"), "unit"),
    **dict.fromkeys(("survey-foot", "other-control-point", "sign-or-order", "other-zone"), "place"),
    **dict.fromkeys(("frame-shift", "epoch-shift"), "frame"),
}  # two ways of one family do not happen together
ALONE = "alone"  # the family of what pairs with nothing

LEAST_M = 0.03  # a prediction smaller than this, and no vaguer than ten times it, predicts no trouble
_ANTENNA_HEIGHT = "the antenna height"
_EXACT_M = 0.005  # typed numbers come back as they were typed, but for the wire's and the sheet's rounding
_VAGUE_WEIGHT = 0.05
_MODEL_M = 0.5  # between two geoid models, where neither is at hand: common practice, no source
_FOOT_M = {"the foot": 0.3048, "the US survey foot": 1200 / 3937}
_SURVEY_FOOT = 500000 / 499999  # US survey foot over foot (85 FR 62698: 1200/3937 m and 0.3048 m)
_ANGLES = (("degrees", 1, (2, 3, 4, 5, 6)), ("minutes", 60, (1, 2, 3, 4)), ("seconds", 3600, (0, 1, 2)))
_SLANT_RADII_M = (0.05, 0.20)  # of antennas in use, and how far the ARP lies under the mark that the slant is taken to:
_SLANT_DROP_M = 0.06  # common practice, no source


class Situation(Struct, frozen=True, kw_only=True):
    """What is known where a coordinate is judged.

    `expected` is the base's ARP, also where a rover's position is judged: the rover carries its base's error. (Where
    the site file has no base, it is the rover's mark.) `separations` are N of other models at hand by name; `others` the
    rest of the control list, raised by the same height; `today` the day as a decimal year, None while no receiver has said
    it. `pole_m` is the rover's pole height where a rover's position is judged, None at the base.
    """

    expected: ExpectedArp
    frame: Frame
    others: tuple[ExpectedArp, ...] = ()
    separations: dict[str, float] = {}
    today: float | None = None
    pole_m: float | None = None


class Prediction(NamedTuple):
    """Where a cause puts the point. `weight` is the way's share of its cause; `which` names the way,
    `also` the second one of a pair.

    `family` is what went wrong in it: ways of one family do not come together, and a vague way comes alone. `far` is
    the predicted point in geocentric metres where it is so far off that another cause's up is not up there.
    """

    cause: str
    east_m: float
    north_m: float
    up_m: float
    sigma_horizontal_m: float
    sigma_up_m: float
    which: str = ""
    also: str = ""
    weight: float = 1.0
    far: Ecef | None = None
    family: str = ""

    @property
    def enu(self) -> Enu:
        """The predicted offset."""
        return Enu(self.east_m, self.north_m, self.up_m)


def predictions(situation: Situation) -> list[Prediction]:
    """All that can be predicted there, causes in the order of `ORDER`; what predicts no trouble is left out."""
    found: list[Prediction] = []
    for cause, function in _FUNCTIONS.items():
        ways = [way for way in function(situation) if max(math.hypot(*way.enu), way.sigma_up_m / 10) >= LEAST_M]
        family = FAMILY.get(cause, ALONE)
        found += [way._replace(weight=way.weight / len(ways), family=way.family or family) for way in ways]
    return found


def _up(cause: str, up_m: float, sigma_up_m: float, which: str = "") -> Prediction:
    return Prediction(cause, 0.0, 0.0, up_m, _EXACT_M, sigma_up_m, which)


def orthometric_as_ellipsoidal(s: Situation) -> Iterator[Prediction]:
    """−N: H was typed where h belongs. Where control is ellipsoidal, H came from a model nobody named.

    Source: common practice ("tens of metres is a missing geoid"), no source.
    """
    n = s.expected.separation_m
    if n is None:
        return
    typed = s.expected.above_geoid
    yield _up("orthometric-as-ellipsoidal", -n, _EXACT_M if typed else math.hypot(0.05, s.expected.geoid_error_m))
    if not typed:
        yield _up("orthometric-as-ellipsoidal", -n, _MODEL_M, "by another geoid model")._replace(family=ALONE)


def geoid_applied_twice(s: Situation) -> Iterator[Prediction]:
    """+N: h was typed where H belongs, and the base added its own model's N. Source: common practice, no source."""
    if s.expected.separation_m is None:
        return
    yield _up("geoid-applied-twice", s.expected.separation_m, 0.02)
    for name, n in s.separations.items():
        yield _up("geoid-applied-twice", n, 0.05, f"by {name}")
    vague = _up("geoid-applied-twice", s.expected.separation_m, _MODEL_M, "by another geoid model")
    yield vague._replace(family=ALONE)


def other_geoid(s: Situation) -> Iterator[Prediction]:
    """N₁ − N₂: H became h by another model than the project's. Source: h = H + N, the definition of N.

    The bundled EGM96 departs from a national model by decimetres to a metre: where no such model is at hand, that is a
    vague way of its own, which comes alone and counts little.
    """
    for name, n in s.separations.items():
        if s.expected.separation_m is not None:
            yield _up("other-geoid", n - s.expected.separation_m, 0.05, name)
    if s.expected.height_error_m > 0:
        yield _up("other-geoid", 0.0, _MODEL_M, "a national geoid model")._replace(weight=_VAGUE_WEIGHT, family=ALONE)


def antenna_height_missing(s: Situation) -> Iterator[Prediction]:
    """−a: the mark's height was typed for the ARP's; at a rover also +pole: the pole was never taken off."""
    yield _up("antenna-height-missing", -s.expected.antenna_height_m, _EXACT_M, "the base's antenna height")
    if s.pole_m is not None:
        yield _up("antenna-height-missing", s.pole_m, _EXACT_M, "the rover's pole height")


def antenna_height_doubled(s: Situation) -> Iterator[Prediction]:
    """+a: the antenna height was added to what held it already; at a rover also −pole: it was taken off twice."""
    yield _up("antenna-height-doubled", s.expected.antenna_height_m, _EXACT_M, "the base's antenna height")
    if s.pole_m is not None:
        yield _up("antenna-height-doubled", -s.pole_m, _EXACT_M, "the rover's pole height")


def slant_as_vertical(s: Situation) -> Iterator[Prediction]:
    """The slant minus the vertical: vertical = √(s² − R²) + d, with R the antenna's radius and d ≤ 0 from the slant's
    mark down to the ARP. R and d are not in the site file: the middle and a third of the range of antennas in use.

    Source: the formula is geometry; the radii common practice, no source.
    """
    a = s.expected.antenna_height_m
    if a > 0:
        least, most = (math.hypot(a + drop, r) - a for r, drop in zip(_SLANT_RADII_M, (0, _SLANT_DROP_M), strict=True))
        yield _up("slant-as-vertical", (least + most) / 2, (most - least) / 3)


def feet_as_metres(s: Situation) -> Iterator[Prediction]:
    """A height v m, which is v/0.3048 ft, typed in feet where metres belong: v/0.3048 − v. Source: 85 FR 62698."""
    for what, height in _heights(s).items():
        for foot, metres in _FOOT_M.items():
            yield _scaled("feet-as-metres", height, 1 / metres, what, foot)


def metres_as_feet(s: Situation) -> Iterator[Prediction]:
    """A height of v m taken for v ft: 0.3048·v − v. Source: 85 FR 62698."""
    for what, height in _heights(s).items():
        for foot, metres in _FOOT_M.items():
            yield _scaled("metres-as-feet", height, metres, what, foot)


def survey_foot(s: Situation) -> Iterator[Prediction]:
    """Easting and northing by 500000/499999 or its inverse: the US survey foot taken for the foot, or the other way.

    Source: 85 FR 62698 (1200/3937 m and 0.3048 m, both exact). Only where the control is on a grid.
    """
    if s.expected.grid is not None:
        easting, northing = s.expected.grid
        for factor, which in ((1 / _SURVEY_FOOT, "US survey feet as feet"), (_SURVEY_FOOT, "feet as US survey feet")):
            yield _at("survey-foot", s, *s.frame.geographic(easting * factor, northing * factor), which)


def frame_shift(s: Situation) -> Iterator[Prediction]:
    """The same place in another frame in use there, by PROJ (`frames.frame_shifts` names them, with their sources)."""
    for shift in frame_shifts(s.frame, s.expected.epoch, s.expected.place, s.today):
        offset = enu(s.expected.ecef, shift.at, s.frame.ellipsoid)
        yield Prediction("frame-shift", *offset, shift.sigma_m, shift.sigma_m, shift.name)


def shift_of_epoch(s: Situation) -> Iterator[Prediction]:
    """The plate's motion from the project's epoch to the day, or back (`frames.epoch_shift`)."""
    shift = epoch_shift(s.frame, s.expected.epoch, s.expected.place, s.today)
    if shift is not None:
        east, north, up = enu(s.expected.ecef, shift.at, s.frame.ellipsoid)
        yield Prediction("epoch-shift", east, north, up, shift.sigma_m, shift.sigma_m, shift.name)
        yield Prediction("epoch-shift", -east, -north, -up, shift.sigma_m, shift.sigma_m, f"{shift.name}, backwards")


def other_control_point(s: Situation) -> Iterator[Prediction]:
    """Another point of the list, with the same antenna height: the wrong point was picked or set up on."""
    for other in s.others:
        offset = enu(s.expected.ecef, other.ecef, s.frame.ellipsoid)
        yield Prediction("other-control-point", *offset, _EXACT_M, _EXACT_M, other.point, far=other.ecef)


def sign_or_order(s: Situation) -> Iterator[Prediction]:
    """Latitude and longitude swapped, or a hemisphere's sign lost, the height as it was. Source: common practice."""
    latitude, longitude = s.expected.latitude, s.expected.longitude
    ways = {
        "the longitude's sign": (latitude, -longitude),
        "the latitude's sign": (-latitude, longitude),
        "both signs": (-latitude, -longitude),
        "latitude and longitude swapped": (longitude, latitude),
        "latitude and longitude swapped, signs lost": (abs(longitude), abs(latitude)),
    }
    for which, (north, east) in ways.items():
        if abs(north) <= 90:
            yield _at("sign-or-order", s, north, east, which, far=True)


def other_zone(s: Situation) -> Iterator[Prediction]:
    """The same grid coordinates read in a neighbouring zone (`zones.next_zones` says which they are)."""
    for which, latitude, longitude in next_zones(s.frame, s.expected.latitude, s.expected.longitude):
        yield _at("other-zone", s, latitude, longitude, which, far=True)


def rounded(s: Situation) -> Iterator[Prediction]:
    """The mark's coordinate cut, or rounded, to fewer decimals: degrees, minutes, seconds or grid; the height to 1 or
    0 decimals; one of the two or both. Source: common practice, no source.
    """
    arp = s.expected
    places = {"": Enu(0.0, 0.0, 0.0)}
    for which, (latitude, longitude) in _cut_places(s).items():
        at = to_ecef(latitude, longitude, arp.ellipsoidal_height_m, s.frame.ellipsoid)
        places[which] = enu(arp.ecef, at, s.frame.ellipsoid)
    heights = {"": 0.0}
    for what, height in (("H", _above_geoid(arp)), ("h", arp.mark_height_m)):
        if height is not None:
            for decimals, how, cut in _cuts((0, 1)):
                value = height / arp.height_unit_m
                heights[f"{what} {how} to {decimals} decimals"] = cut(value) * arp.height_unit_m - height
    for where, (east, north, up) in places.items():
        for high, rise in heights.items():
            which = " and ".join(part for part in (where, high) if part)
            if which:
                yield Prediction("rounded", east, north, up + rise, 0.002, 0.002, which)


def autonomous_base(s: Situation) -> Iterator[Prediction]:
    """No offset in the mean, metres of spread: the base took its own single-point position.

    Source: common practice (3 m a horizontal axis, 5 m up), no source.
    """
    yield Prediction("autonomous-base", 0.0, 0.0, 0.0, 3.0, 5.0)


_FUNCTIONS: dict[str, Callable[[Situation], Iterator[Prediction]]] = {
    "orthometric-as-ellipsoidal": orthometric_as_ellipsoidal,
    "geoid-applied-twice": geoid_applied_twice,
    "other-geoid": other_geoid,
    "antenna-height-missing": antenna_height_missing,
    "antenna-height-doubled": antenna_height_doubled,
    "slant-as-vertical": slant_as_vertical,
    "feet-as-metres": feet_as_metres,
    "metres-as-feet": metres_as_feet,
    "survey-foot": survey_foot,
    "frame-shift": frame_shift,
    "epoch-shift": shift_of_epoch,
    "other-control-point": other_control_point,
    "sign-or-order": sign_or_order,
    "other-zone": other_zone,
    "rounded": rounded,
}


def _at(cause: str, s: Situation, latitude: float, longitude: float, which: str, far: bool = False) -> Prediction:
    """The ARP's height at another place."""
    point = to_ecef(latitude, longitude, s.expected.ellipsoidal_height_m, s.frame.ellipsoid)
    offset = enu(s.expected.ecef, point, s.frame.ellipsoid)
    return Prediction(cause, *offset, _EXACT_M, _EXACT_M, which, far=point if far else None)


def _scaled(cause: str, height: float, factor: float, what: str, foot: str) -> Prediction:
    way = _up(cause, height * factor - height, _EXACT_M, f"{what}, {foot}")
    return way._replace(family="antenna") if what == _ANTENNA_HEIGHT else way


def _above_geoid(arp: ExpectedArp) -> float | None:
    """H of the mark, where that is what the control sheet says."""
    return arp.mark_height_m - arp.separation_m if arp.above_geoid and arp.separation_m is not None else None


def _heights(s: Situation) -> dict[str, float]:
    """The heights that somebody may have typed in the wrong unit."""
    arp = s.expected
    heights = {"the ellipsoidal height": arp.mark_height_m}
    above_geoid = _above_geoid(arp)
    if above_geoid is not None:
        heights["the height above the geoid"] = above_geoid
    if s.expected.antenna_height_m > 0:
        heights[_ANTENNA_HEIGHT] = s.expected.antenna_height_m
    return heights


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
    # What was typed with few decimals is a hair off as binary: without the nudge 7.3 would be cut to 7.2.
    scaled = value * 10.0**decimals
    return math.trunc(scaled + math.copysign(1e-6, scaled)) / 10.0**decimals


def sum_of(one: Prediction, two: Prediction, origin: Ecef, frame: Frame) -> Prediction:
    """Both at once: offsets add, the second's in the directions of where the first one puts the point."""
    offset = Enu(one.east_m + two.east_m, one.north_m + two.north_m, one.up_m + two.up_m)
    far = one.far or two.far
    if far is not None:
        moved = two.enu if one.far is not None else one.enu
        offset = _offset_at(far, moved, origin, frame)
    return Prediction(
        f"{one.cause}+{two.cause}",
        *offset,
        math.hypot(one.sigma_horizontal_m, two.sigma_horizontal_m),
        math.hypot(one.sigma_up_m, two.sigma_up_m),
        one.which,
        two.which,
        one.weight * two.weight,
    )


def _offset_at(far: Ecef, moved: Enu, origin: Ecef, frame: Frame) -> Enu:
    return enu(origin, from_enu(far, moved, frame.ellipsoid), frame.ellipsoid)
