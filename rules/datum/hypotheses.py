"""What each cause of a wrong coordinate predicts: what was said minus what is right, east, north and up, and how sharply.

One function a cause, in the order of `ORDER`; each gives the predictions of all the ways in which that cause comes about.
The ways share the cause's weight, so that a cause with many ways has no better chance of fitting by luck.
H is the mark's height above the geoid, h the ellipsoidal one, N = h − H the geoid separation, a the antenna height.

A number that was typed wrongly is wrong to the millimetre: those ways are out by `TYPED_M` at most. Whatever keeps an h that
somebody else worked out from H has the doubt of the geoid besides (`Situation.height_doubt_m`): their model need not be the
project's. H itself typed for h has no such doubt: there N comes only from the project.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterator
from typing import NamedTuple

from msgspec import Struct
from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.datum.digits import slips
from witnesspost.rules.datum.frames import Frame
from witnesspost.rules.datum.geodesy import ExpectedArp, enu, from_enu, to_ecef
from witnesspost.rules.datum.shifts import Shift, epoch_shift, frame_shifts, reference_epoch
from witnesspost.rules.datum.zones import next_zones
from witnesspost.rules.site.angles import degrees
from witnesspost.rules.site.model import Control

ROVER_ORDER = ("rover-pole", "leaning-pole", "mark-or-point")
BASE_ORDER = (
    "orthometric-as-ellipsoidal", "geoid-applied-twice", "other-geoid",
    "antenna-height-missing", "antenna-height-doubled", "slant-as-vertical",
    "feet-as-metres", "metres-as-feet", "survey-foot", "digit-slip", "frame-shift", "epoch-shift",
    "other-control-point", "sign-or-order", "other-zone", "rounded", "autonomous-base",
)  # fmt: skip
ORDER = (*ROVER_ORDER, *BASE_ORDER)
FAMILY = {
    **dict.fromkeys(("orthometric-as-ellipsoidal", "geoid-applied-twice", "other-geoid"), "geoid"),
    **dict.fromkeys(("antenna-height-missing", "antenna-height-doubled", "slant-as-vertical"), "antenna"),
    **dict.fromkeys(("feet-as-metres", "metres-as-feet"), "unit"),
    **dict.fromkeys(("survey-foot", "other-control-point", "sign-or-order", "other-zone"), "place"),
    **dict.fromkeys(("frame-shift", "epoch-shift"), "frame"),
}  # two ways of one family do not happen together
ALONE = "alone"  # the family of what pairs with nothing
IN_A_NETWORK = frozenset({"frame-shift", "epoch-shift"})  # the errors of a service's own coordinates that a crew can meet

TYPED_M = 0.0021  # 2 mm of the sheet's rounding, and 0.1 mm of the wire's
LEAST_M = 0.02  # a prediction smaller than this predicts no trouble
AUTONOMOUS_LEAST_M, AUTONOMOUS_MOST_M = 0.2, 30.0
ON_MARK_M = 0.15

_ANTENNA_HEIGHT = "the antenna height"
_FOOT_M = {"the foot": 0.3048, "the US survey foot": 1200 / 3937}
_SURVEY_FOOT = 500000 / 499999  # US survey foot over foot (85 FR 62698: 1200/3937 m and 0.3048 m)
_ANGLES = (("degrees", 1, (2, 3, 4, 5, 6)), ("minutes", 60, (1, 2, 3, 4)), ("seconds", 3600, (0, 1, 2)))
_SLANT_RADII_M = (0.05, 0.20)  # of antennas in use, and how far the ARP lies under the mark that the slant is taken to:
_SLANT_DROP_M = 0.06  # common practice, no source
_OTHER_MODEL_M = 0.5  # of a geoid model that is not at hand: common practice, no source
_MODEL_M = 0.02  # a receiver's N comes with a decimal or two, and its grid is coarser than the model
_NOTCH_M, _NOTCHES = 0.05, 50  # a pole's notches: common practice, no source
_POLE_PARTS_M = {"a foot": 0.3048, "a quick release": 0.065, "the antenna's phase centre": 0.09}
_TELLS = 5.0  # a height must be so many times the geoid's doubt to prove anything
_SLACK_DEG = 0.5  # of a tilt sensor: common practice, no source
_UNKNOWN_LEAN_DEG = 8.0  # nobody leans a pole farther without seeing it: common practice, no source


class Rover(Struct, frozen=True, kw_only=True):
    """What is known of the rover whose position is judged: its point, pole, and pole's tilt (None: not said)."""

    point: ExpectedArp
    pole_m: float
    tilt_deg: float | None = None
    others: tuple[ExpectedArp, ...] = ()


class Situation(Struct, frozen=True, kw_only=True):
    """What is known where a coordinate is judged.

    `expected` is the base's ARP (its mark where the broadcast says the antenna height), also where a rover's position is
    judged: the rover carries its base's error. Where the site file has no base, it is the rover's mark. `control` is its
    point as the site file writes it, `antenna_m` the antenna height in use, `separations` N of other models at hand by name,
    `others` the rest of the control list, raised by the same height, `today` the day as a decimal year (None while no receiver
    has said it), `height_doubt_m` how far the project's N may be from the N that somebody else made h with, `plan_doubt_m` what
    the way from the project's own datum leaves open.

    `base` says whether the base may be to blame at all, `network` whether it is a service's (whose only causes for a crew are
    frames), `typing` whether slips of digits and decimals are looked for. `rover` where a rover's position is judged.
    """

    expected: ExpectedArp
    frame: Frame
    control: Control | None = None
    antenna_m: float | None = None
    others: tuple[ExpectedArp, ...] = ()
    separations: dict[str, float] = {}
    today: float | None = None
    height_doubt_m: float = 0.0
    plan_doubt_m: float = 0.0
    base: bool = True
    network: bool = False
    typing: bool = True
    rover: Rover | None = None

    @property
    def antenna_height_m(self) -> float:
        """a: the day's where it is known, else what the point is raised by."""
        return self.expected.antenna_height_m if self.antenna_m is None else self.antenna_m


class Prediction(NamedTuple):
    """Where a cause puts the point, and how far it may be out sideways and up. `weight` is the way's share of its cause;
    `which` names the way, `also` the second one of a pair.

    `family` is what went wrong in it: ways of one family do not come together. A `vague` way fits much, so it never stands
    alone as the answer; one that is not `alone` tells something only together with another. `way` says how a frame's shift was
    worked out. `far` is the predicted point in geocentric metres where another cause's up is not up there.
    """

    cause: str
    east_m: float
    north_m: float
    up_m: float
    horizontal_m: float = TYPED_M
    vertical_m: float = TYPED_M
    which: str = ""
    also: str = ""
    weight: float = 1.0
    far: Ecef | None = None
    family: str = ""
    vague: bool = False
    alone: bool = True
    way: str = ""

    @property
    def enu(self) -> Enu:
        """The predicted offset."""
        return Enu(self.east_m, self.north_m, self.up_m)


def predictions(situation: Situation) -> list[Prediction]:
    """All predictions for the base there, causes in the order of `ORDER`; those too small to be trouble are left out."""
    found: list[Prediction] = []
    if not situation.base:
        return found
    for cause, function in _BASE_FUNCTIONS.items():
        if (situation.network and cause not in IN_A_NETWORK) or (not situation.typing and cause in ("digit-slip", "rounded")):
            continue
        ways = [way for way in function(situation) if LEAST_M <= math.hypot(*way.enu) < math.inf]
        doubt_m = situation.plan_doubt_m
        ways = [way._replace(alone=_tells(way, situation), horizontal_m=way.horizontal_m + doubt_m) for way in ways]
        family = FAMILY.get(cause, ALONE)
        found += [way._replace(weight=way.weight / len(ways), family=way.family or family) for way in ways]
    return found


def rover_predictions(situation: Situation, offset: Enu) -> list[Prediction]:
    """What the rover's own pole and point may do, as seen at the expected point; a lean is fitted to `offset`."""
    rover, base = situation.rover, situation.expected
    if rover is None:
        return []
    found: list[Prediction] = []
    at_rover = _turned(offset, base.ecef, rover.point.ecef)
    for ways in (rover_pole(rover), leaning_pole(rover, at_rover), mark_or_point(rover)):
        for way in ways:
            east, north, up = _turned(way.enu, rover.point.ecef, base.ecef)
            found.append(
                way._replace(
                    east_m=east,
                    north_m=north,
                    up_m=up,
                    horizontal_m=way.horizontal_m + situation.plan_doubt_m,
                    vertical_m=way.vertical_m + situation.height_doubt_m,
                    family=ALONE,
                )
            )
    return found


def autonomous(offset: Enu) -> bool:
    """True if an offset looks like a base's own single-point position: off in plan and in height, by metres.

    Source: common practice, no source.
    """
    plan = math.hypot(offset.east_m, offset.north_m)
    return min(plan, abs(offset.up_m)) > AUTONOMOUS_LEAST_M and math.hypot(*offset) < AUTONOMOUS_MOST_M


def _tells(way: Prediction, s: Situation) -> bool:
    """False for a height that the doubt of the geoid would explain too."""
    doubtful = way.vertical_m >= s.height_doubt_m and math.hypot(way.east_m, way.north_m) == 0
    return not doubtful or abs(way.up_m) >= _TELLS * s.height_doubt_m


def _up(s: Situation, cause: str, up_m: float, which: str = "", doubts: float = 1.0) -> Prediction:
    return Prediction(cause, 0.0, 0.0, up_m, vertical_m=TYPED_M + doubts * s.height_doubt_m, which=which)


def orthometric_as_ellipsoidal(s: Situation) -> Iterator[Prediction]:
    """−N: H was typed where h belongs. Where control is ellipsoidal, H came from a model that nobody named.

    Source: common practice ("tens of metres is a missing geoid"), no source.
    """
    n = s.expected.separation_m
    if n is None:
        return
    if s.expected.above_geoid:
        yield _up(s, "orthometric-as-ellipsoidal", -n, doubts=0.0)
        return
    by_model = _up(s, "orthometric-as-ellipsoidal", -n, "by another geoid model")
    yield by_model._replace(vertical_m=_OTHER_MODEL_M + s.expected.geoid_error_m, family=ALONE, vague=abs(n) < 3.0)


def geoid_applied_twice(s: Situation) -> Iterator[Prediction]:
    """+N: h was typed where H belongs, and the base added its own model's N. Source: common practice, no source."""
    n = s.expected.separation_m
    if n is None:
        return
    yield _up(s, "geoid-applied-twice", n, doubts=2.0)
    for name, other in s.separations.items():
        yield _up(s, "geoid-applied-twice", other, f"by {name}")._replace(vertical_m=_MODEL_M + s.height_doubt_m)
    by_model = _up(s, "geoid-applied-twice", n, "by another geoid model")
    yield by_model._replace(vertical_m=_OTHER_MODEL_M + s.height_doubt_m, family=ALONE, vague=abs(n) < 3.0)


def other_geoid(s: Situation) -> Iterator[Prediction]:
    """N₁ − N₂: H became h by a model other than the project's. Source: h = H + N, the definition of N."""
    for name, n in s.separations.items():
        if s.expected.separation_m is not None:
            way = _up(s, "other-geoid", n - s.expected.separation_m, name, doubts=0.0)
            yield way._replace(vertical_m=_MODEL_M, vague=s.rover is not None)


def antenna_height_missing(s: Situation) -> Iterator[Prediction]:
    """−a: the mark's height was typed for the ARP's. Source: common practice, no source."""
    yield _up(s, "antenna-height-missing", -s.antenna_height_m)


def antenna_height_doubled(s: Situation) -> Iterator[Prediction]:
    """+a: the antenna height was added to a height that included it. Source: common practice, no source."""
    yield _up(s, "antenna-height-doubled", s.antenna_height_m)


def slant_as_vertical(s: Situation) -> Iterator[Prediction]:
    """The slant minus the vertical: vertical = √(s² − R²) + d, with R the antenna's radius and d ≤ 0 from the slant's
    mark down to the ARP. R and d are not in the site file: the whole range of antennas in use.

    Source: the formula is geometry; the radii common practice, no source.
    """
    a = s.antenna_height_m
    if a > 0:
        least, most = (math.hypot(a + drop, r) - a for r, drop in zip(_SLANT_RADII_M, (0, _SLANT_DROP_M), strict=True))
        way = _up(s, "slant-as-vertical", (least + most) / 2)
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


def survey_foot(s: Situation) -> Iterator[Prediction]:
    """Easting and northing by 500000/499999 or its inverse: the US survey foot taken for the foot, or the other way.

    Source: 85 FR 62698 (1200/3937 m and 0.3048 m, both exact). Only where the control is on a grid.
    """
    if s.expected.grid is not None:
        easting, northing = s.expected.grid
        for factor, which in ((1 / _SURVEY_FOOT, "US survey feet as feet"), (_SURVEY_FOOT, "feet as US survey feet")):
            yield _with_arp_at("survey-foot", s, *s.frame.geographic(easting * factor, northing * factor), which)


def digit_slip(s: Situation) -> Iterator[Prediction]:
    """One typed number with one digit another, or two neighbours swapped, as the site file writes the number.

    Source: common practice (the commonest slip of all), no source.
    """
    if s.control is not None:
        for name in ("latitude", "longitude", "easting", "northing"):
            for text, value in slips(getattr(s.control, name)):
                there = _typed(s, s.control, name, value)
                if math.isfinite(sum(there)):
                    yield _with_arp_at("digit-slip", s, *there, f"the {name} as {text}")
    heights: list[tuple[str, float, float]] = []
    if s.control is not None:
        heights.append(("height", s.control.height, s.expected.height_unit_m))
    if s.expected.above_geoid:
        heights.append(("ellipsoidal height", round(s.expected.mark_height_m, 3), 1.0))
    heights.append(("antenna height", round(s.antenna_height_m, 4), 1.0))
    for name, height, unit in heights:
        for text, value in slips(height):
            up_m = (float(value) - height) * unit
            # Neighbouring digits differ by one unit of their place: where the geoid is less sure, nothing tells them apart.
            if up_m and 10.0 ** math.floor(math.log10(abs(up_m)) + 1e-6) >= _TELLS * s.height_doubt_m:
                yield _up(s, "digit-slip", up_m, f"the {name} as {text}")


def frame_shift(s: Situation) -> Iterator[Prediction]:
    """The same place in another frame in use there (`shifts.frame_shifts` names them, their way and its accuracy); or the
    angles of the project's own old datum, given as if they were GNSS's.
    """
    own = s.frame.on_own_datum(s.expected.latitude, s.expected.longitude)
    if own is not None:
        yield _with_arp_at("frame-shift", s, *own, f"the project's own datum ({s.frame.name})")
    for shift in frame_shifts(s.frame, s.expected.epoch, s.expected.place, s.today):
        offset = enu(s.expected.ecef, shift.ecef, s.frame.ellipsoid)
        way = Prediction("frame-shift", *offset, *_out(s, shift), shift.name, way=shift.way)
        size_m = math.hypot(offset.east_m, offset.north_m)
        if way.horizontal_m < size_m:  # otherwise it says only that something may have moved
            yield way._replace(vague=2 * way.horizontal_m > size_m)


def shift_of_epoch(s: Situation) -> Iterator[Prediction]:
    """The plate's motion from the project's epoch to the day, or back (`shifts.epoch_shift`)."""
    shift = epoch_shift(s.frame, s.expected.epoch, s.expected.place, s.today)
    if shift is not None:
        east, north, up = enu(s.expected.ecef, shift.ecef, s.frame.ellipsoid)
        size_m = math.hypot(east, north)
        if shift.doubt.horizontal_m >= size_m:
            return
        vague = 2 * shift.doubt.horizontal_m > size_m
        way = Prediction("epoch-shift", east, north, up, *_out(s, shift), shift.name, way=shift.way, vague=vague)
        yield way
        if reference_epoch(s.frame) is None:  # nobody has a coordinate from before the frame's own epoch
            yield way._replace(east_m=-east, north_m=-north, up_m=-up, which=f"{shift.name}, backwards")


def other_control_point(s: Situation) -> Iterator[Prediction]:
    """Another point of the list, with the same antenna height: the wrong point was picked in the base.

    For a rover that hears no station, the base may just as well be on the wrong mark: it then carries the same, reversed.
    """
    for other in s.others:
        offset = enu(s.expected.ecef, other.ecef, s.frame.ellipsoid)
        exact = Prediction("other-control-point", *offset, TYPED_M, TYPED_M + s.height_doubt_m, other.point, far=other.ecef)
        yield exact
        if s.rover is not None:
            east, north, up = offset
            back = from_enu(s.expected.ecef, Enu(-east, -north, -up), s.frame.ellipsoid)
            yield exact._replace(east_m=-east, north_m=-north, up_m=-up, which=f"{other.point} under the base", far=back)


def sign_or_order(s: Situation) -> Iterator[Prediction]:
    """Latitude and longitude or easting and northing swapped, or a hemisphere's sign lost, the height as it was.

    Source: common practice, no source.
    """
    latitude, longitude = s.expected.latitude, s.expected.longitude
    ways = {
        "the longitude's sign": (latitude, -longitude),
        "the latitude's sign": (-latitude, longitude),
        "both signs": (-latitude, -longitude),
        "latitude and longitude swapped": (longitude, latitude),
        "latitude and longitude swapped, signs lost": (abs(longitude), abs(latitude)),
    }
    if s.expected.grid is not None:
        easting, northing = s.expected.grid
        ways["easting and northing swapped"] = s.frame.geographic(northing, easting)
    for which, (north, east) in ways.items():
        if abs(north) <= 90 and math.isfinite(east):
            yield _with_arp_at("sign-or-order", s, north, east, which, far=True)


def other_zone(s: Situation) -> Iterator[Prediction]:
    """The same grid coordinates read in a neighbouring zone (`zones.next_zones` says which they are)."""
    for which, latitude, longitude in next_zones(s.frame, s.expected.latitude, s.expected.longitude):
        yield _with_arp_at("other-zone", s, latitude, longitude, which, far=True)


def rounded(s: Situation) -> Iterator[Prediction]:
    """The mark's coordinate truncated or rounded to fewer decimals: degrees, minutes, seconds or grid; the height to 1 or
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
                yield Prediction("rounded", east, north, up + rise, TYPED_M, TYPED_M + s.height_doubt_m, which)


def rover_pole(rover: Rover) -> Iterator[Prediction]:
    """The pole's height left out or applied twice, or wrong by a notch, a foot or one of its parts: up only.

    Source: common practice, no source.
    """
    if rover.pole_m > 0:
        yield Prediction("rover-pole", 0.0, 0.0, rover.pole_m, which="the pole's height left out", weight=0.25)
        yield Prediction("rover-pole", 0.0, 0.0, -rover.pole_m, which="the pole's height taken off twice", weight=0.25)
    parts = {f"{n * _NOTCH_M * 100:.0f} cm": n * _NOTCH_M for n in range(1, _NOTCHES + 1)} | _POLE_PARTS_M
    for which, part in parts.items():
        for sign, way in ((1.0, "longer"), (-1.0, "shorter")):
            share = 0.25 / len(parts)
            yield Prediction("rover-pole", 0.0, 0.0, sign * part, which=f"a pole {which} {way}", weight=share, vague=True)


def leaning_pole(rover: Rover, offset: Enu) -> Iterator[Prediction]:
    """A pole of length L that leans by θ puts the point L·sin θ aside and L·(1 − cos θ) low, in any direction.

    Source: geometry; `tilt` says the angle where a sensor does.
    """
    aside = math.hypot(offset.east_m, offset.north_m)
    angle = _UNKNOWN_LEAN_DEG if rover.tilt_deg is None else rover.tilt_deg + _SLACK_DEG
    if rover.pole_m > 0 and LEAST_M <= aside <= rover.pole_m * math.sin(math.radians(angle)):
        drop = rover.pole_m - math.sqrt(rover.pole_m**2 - aside**2)
        degrees = math.degrees(math.asin(aside / rover.pole_m))
        yield Prediction("leaning-pole", offset.east_m, offset.north_m, -drop, which=f"by {degrees:.1f}°", vague=True)


def mark_or_point(rover: Rover) -> Iterator[Prediction]:
    """The wrong point picked or the wrong mark under the pole; or a mark that was disturbed. Source: common practice."""
    for other in rover.others:
        offset = enu(rover.point.ecef, other.ecef)
        yield Prediction("mark-or-point", *offset, which=f"{other.point} under the pole", weight=0.5 / len(rover.others))
    yield Prediction("mark-or-point", 0.0, 0.0, 0.0, ON_MARK_M, ON_MARK_M, "a disturbed mark", weight=0.5, vague=True)


_BASE_FUNCTIONS: dict[str, Callable[[Situation], Iterator[Prediction]]] = {
    "orthometric-as-ellipsoidal": orthometric_as_ellipsoidal,
    "geoid-applied-twice": geoid_applied_twice,
    "other-geoid": other_geoid,
    "antenna-height-missing": antenna_height_missing,
    "antenna-height-doubled": antenna_height_doubled,
    "slant-as-vertical": slant_as_vertical,
    "feet-as-metres": feet_as_metres,
    "metres-as-feet": metres_as_feet,
    "survey-foot": survey_foot,
    "digit-slip": digit_slip,
    "frame-shift": frame_shift,
    "epoch-shift": shift_of_epoch,
    "other-control-point": other_control_point,
    "sign-or-order": sign_or_order,
    "other-zone": other_zone,
    "rounded": rounded,
}


def _with_arp_at(cause: str, s: Situation, latitude: float, longitude: float, which: str, far: bool = False) -> Prediction:
    """The ARP's height at another place."""
    point = to_ecef(latitude, longitude, s.expected.ellipsoidal_height_m, s.frame.ellipsoid)
    offset = enu(s.expected.ecef, point, s.frame.ellipsoid)
    return Prediction(cause, *offset, TYPED_M, TYPED_M + s.height_doubt_m, which, far=point if far else None)


def _turned(offset: Enu, one: Ecef, other: Ecef) -> Enu:
    """A vector at one point in the east, north and up of another."""
    if one == other:
        return offset
    x, y, z = (b - a for a, b in zip(one, from_enu(one, offset), strict=True))
    return enu(other, Ecef(other.x_m + x, other.y_m + y, other.z_m + z))


def _out(s: Situation, shift: Shift) -> tuple[float, float]:
    return shift.doubt.horizontal_m, shift.doubt.vertical_m + s.height_doubt_m


def _typed(s: Situation, control: Control, name: str, value: float | str) -> tuple[float, float]:
    """Where the point lands with one of its numbers mistyped: latitude and longitude, inf where the grid does not reach."""
    if name in ("easting", "northing"):
        easting, northing = control.easting or 0.0, control.northing or 0.0
        number = float(value)
        return s.frame.geographic(number, northing) if name == "easting" else s.frame.geographic(easting, number)
    latitude, longitude = control.latitude or 0.0, control.longitude or 0.0
    angles = (value, longitude) if name == "latitude" else (latitude, value)
    return s.frame.from_degrees(degrees(angles[0]), degrees(angles[1]))


def _scaled(s: Situation, cause: str, height: float, factor: float, what: str, foot: str) -> Prediction:
    way = _up(s, cause, height * factor - height, f"{what}, {foot}")
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
    if s.antenna_height_m > 0:
        heights[_ANTENNA_HEIGHT] = s.antenna_height_m
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
    # A number typed with few decimals is a hair off in binary: without the nudge 7.3 would be truncated to 7.2.
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
        one.horizontal_m + two.horizontal_m,
        max(one.vertical_m, two.vertical_m) + TYPED_M,
        one.which,
        two.which,
        one.weight * two.weight,
    )


def _offset_at(far: Ecef, moved: Enu, origin: Ecef, frame: Frame) -> Enu:
    return enu(origin, from_enu(far, moved, frame.ellipsoid), frame.ellipsoid)
