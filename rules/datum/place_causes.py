"""What puts a coordinate somewhere else: another frame, epoch, point, zone, order or foot.

One function a cause; each gives the predictions of all the ways in which that cause comes about.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.geodesy import ExpectedArp, enu, from_enu, to_geodetic
from witnesspost.rules.datum.height_causes import above_geoid
from witnesspost.rules.datum.prediction import ALONE, SURE_HEIGHT_M, TYPED_M, Prediction, Situation, arp_at, up_only
from witnesspost.rules.datum.shifts import Shift, epoch_shift, frame_shifts, reference_epoch
from witnesspost.rules.datum.zones import next_zones
from witnesspost.rules.language.names import called

_SURVEY_FOOT = 500000 / 499999  # US survey foot over foot (85 FR 62698: 1200/3937 m and 0.3048 m)
_SCALED_PPM = (5.0, 1000.0)  # the two kinds of foot are 2 ppm apart
_LEAST_SCALED_M = 3.0  # of less, one number in some hundreds fits by chance
_LEAST_VAGUE_SHIFT_M = 0.1
_NOTATION_M = 0.02
_MANY_POINTS = 20  # of so many heights one in a hundred fits by chance, where they are spread over eight metres


def survey_foot(s: Situation) -> Iterator[Prediction]:
    """Easting and northing by 500000/499999 or its inverse: the US survey foot taken for the foot, or the other way.

    Source: 85 FR 62698 (1200/3937 m and 0.3048 m, both exact). Only where the control is on a grid.
    """
    if s.expected.grid is not None:
        easting, northing = s.expected.grid
        for factor, which in ((1 / _SURVEY_FOOT, "US survey feet as feet"), (_SURVEY_FOOT, "feet as US survey feet")):
            yield arp_at("survey-foot", s, *s.frame.geographic(easting * factor, northing * factor), which)


def ground_for_grid(s: Situation, offset: Enu) -> Iterator[Prediction]:
    """Easting and northing both longer or shorter by one factor: ground coordinates, scaled about the grid's origin by the
    combined factor of scale and height, where the grid's own belong.

    The factor is fitted, and one of two numbers is left to prove it. Source: common practice (state plane coordinates are
    brought to the ground so), no source; up to 1,000 ppm as for a site's own grid.
    """
    if s.expected.grid is None or math.hypot(offset.east_m, offset.north_m) < _LEAST_SCALED_M:
        return
    easting, northing = s.expected.grid
    said = to_geodetic(from_enu(s.expected.ecef, offset, s.frame.ellipsoid), s.frame.ellipsoid)
    east, north = s.frame.grid(said.latitude, said.longitude)
    if not math.isfinite(east + north):
        return
    factor = (easting * east + northing * north) / (easting**2 + northing**2)
    ppm = (factor - 1.0) * 1e6
    if _SCALED_PPM[0] <= abs(ppm) <= _SCALED_PPM[1]:
        which = f"both by {abs(ppm):.0f} ppm too {'long' if ppm > 0 else 'short'}"
        yield arp_at("ground-for-grid", s, *s.frame.geographic(easting * factor, northing * factor), which)._replace(
            family=ALONE
        )


def frame_shift(s: Situation) -> Iterator[Prediction]:
    """The same place in another frame in use there (`shifts.frame_shifts` names them, their way and its accuracy); or the
    angles of the project's own old datum, given as if they were GNSS's.
    """
    own = s.frame.on_own_datum(s.expected.latitude, s.expected.longitude)
    if own is not None:
        yield arp_at("frame-shift", s, *own, f"the project's own datum ({called(s.frame.name)})")
    for shift in frame_shifts(s.frame, s.expected.epoch, s.expected.place, s.today):
        offset = enu(s.expected.ecef, shift.ecef, s.frame.ellipsoid)
        way = Prediction("frame-shift", *offset, *_out(s, shift), shift.name, way=shift.way)
        yield from _where_it_tells(way)


def shift_of_epoch(s: Situation) -> Iterator[Prediction]:
    """The plate's motion from the project's epoch to the day, or back (`shifts.epoch_shift`)."""
    shift = epoch_shift(s.frame, s.expected.epoch, s.expected.place, s.today)
    if shift is not None:
        east, north, up = enu(s.expected.ecef, shift.ecef, s.frame.ellipsoid)
        way = Prediction("epoch-shift", east, north, up, *_out(s, shift), shift.name, way=shift.way)
        yield from _where_it_tells(way)
        if reference_epoch(s.frame) is None:  # nobody has a coordinate from before the frame's own epoch
            back = way._replace(east_m=-east, north_m=-north, up_m=-up, which=f"{shift.name}, backwards")
            yield from _where_it_tells(back)


def other_control_point(s: Situation) -> Iterator[Prediction]:
    """Another point of the list, with the same antenna height: the wrong point was picked in the base, or one of its numbers
    was read in another's row.

    The base may just as well be over the wrong mark, whatever its coordinate: a rover then carries the same, reversed.
    """
    for other in s.others:
        offset = enu(s.expected.ecef, other.ecef, s.frame.ellipsoid)
        exact = Prediction(
            "other-control-point", *offset, TYPED_M, TYPED_M + s.height_doubt_m, called(other.point), far=other.ecef
        )
        if s.base:
            yield exact
        if s.carried:
            east, north, up = offset
            back = from_enu(s.expected.ecef, Enu(-east, -north, -up), s.frame.ellipsoid)
            yield exact._replace(
                east_m=-east, north_m=-north, up_m=-up, which=f"{called(other.point)} under the base", far=back
            )
        if s.base and s.rover is None:
            yield from _in_another_row(s, other)


def _in_another_row(s: Situation, other: ExpectedArp) -> Iterator[Prediction]:
    """One number of another point among those of the right one."""
    vague, name = len(s.others) > _MANY_POINTS, called(other.point)
    ways = []
    if s.height_doubt_m <= SURE_HEIGHT_M:
        height_m = other.ellipsoidal_height_m - s.expected.ellipsoidal_height_m
        ways.append(up_only(s, "other-control-point", height_m, f"the height of {name}"))
    if s.expected.grid is not None and other.grid is not None:
        east, north = s.expected.grid
        ways += [
            arp_at("other-control-point", s, *s.frame.geographic(other.grid[0], north), f"the easting of {name}"),
            arp_at("other-control-point", s, *s.frame.geographic(east, other.grid[1]), f"the northing of {name}"),
        ]
    elif s.expected.grid is None:
        here, there = s.expected, other
        ways += [
            arp_at("other-control-point", s, there.latitude, here.longitude, f"the latitude of {name}"),
            arp_at("other-control-point", s, here.latitude, there.longitude, f"the longitude of {name}"),
        ]
    for way in ways:
        yield way._replace(family=ALONE, vague=vague)


def sign_or_order(s: Situation) -> Iterator[Prediction]:
    """Latitude and longitude or easting and northing swapped, a hemisphere's sign lost, or 26° 06′ 44.4″ typed as 26.06444°
    (or 26.11234° as 26° 11′ 23.4″, 26° 06.4407′ as 26° 06′ 44.07″ and the like), the height as it was; or a height's sign, the
    geoid separation or the antenna height taken off instead of added.

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
            yield arp_at("sign-or-order", s, north, east, which, far=True)
    notations = {
        "degrees, minutes and seconds typed as a decimal number": _minutes_as_decimals,
        "a decimal number typed as degrees, minutes and seconds": _decimals_as_minutes,
        "decimal minutes typed as minutes and seconds": _decimal_minutes_as_seconds,
        "minutes and seconds typed as decimal minutes": _seconds_as_decimal_minutes,
    }
    for which, read in notations.items():
        north, east = read(latitude), read(longitude)
        if math.isfinite(north + east):
            # Nobody types the last decimals of such a number.
            yield arp_at("sign-or-order", s, north, east, which)._replace(horizontal_m=_NOTATION_M)
    yield from _wrong_signs(s)


def _wrong_signs(s: Situation) -> Iterator[Prediction]:
    arp = s.expected
    signs = {
        "the antenna height taken off instead of added": -2 * s.antenna_height_m,
        "the height's sign": -2 * (arp.mark_height_m if (height_m := above_geoid(arp)) is None else height_m),
    }
    if arp.above_geoid and arp.separation_m is not None:
        signs["the geoid separation taken off instead of added"] = -2 * arp.separation_m
    for which, up_m in signs.items():
        yield up_only(s, "sign-or-order", up_m, which)._replace(family=ALONE)


def other_zone(s: Situation) -> Iterator[Prediction]:
    """The same grid coordinates read in a neighbouring zone (`zones.next_zones` says which they are)."""
    for which, latitude, longitude in next_zones(s.frame, s.expected.latitude, s.expected.longitude):
        yield arp_at("other-zone", s, latitude, longitude, which, far=True)


def _minutes_as_decimals(degrees: float) -> float:
    """26° 06′ 44.4″ read as 26.06444°."""
    minutes, seconds = divmod(abs(degrees) * 3600.0, 60.0)
    whole, minutes = divmod(minutes, 60.0)
    return math.copysign(whole + minutes / 100.0 + seconds / 10_000.0, degrees)


def _decimals_as_minutes(degrees: float) -> float:
    """26.11234° read as 26° 11′ 23.4″; NaN where that has 60 minutes or more."""
    whole = math.floor(abs(degrees))
    minutes, rest = divmod((abs(degrees) - whole) * 100.0, 1.0)
    seconds = rest * 100.0
    return math.copysign(whole + minutes / 60.0 + seconds / 3600.0, degrees) if max(minutes, seconds) < 60.0 else math.nan


def _decimal_minutes_as_seconds(degrees: float) -> float:
    """26° 06.4407′ read as 26° 06′ 44.07″; NaN where that has 60 seconds or more."""
    whole, minutes = divmod(abs(degrees) * 60.0, 60.0)
    minutes, rest = divmod(minutes, 1.0)
    return math.copysign(whole + minutes / 60.0 + rest * 100.0 / 3600.0, degrees) if rest < 0.6 else math.nan


def _seconds_as_decimal_minutes(degrees: float) -> float:
    """26° 06′ 44.07″ read as 26° 06.4407′."""
    whole, minutes = divmod(abs(degrees) * 60.0, 60.0)
    minutes, rest = divmod(minutes, 1.0)
    return math.copysign(whole + (minutes + rest * 0.6) / 60.0, degrees)


def _where_it_tells(way: Prediction) -> Iterator[Prediction]:
    """A shift as far as its doubt lets it tell anything: vague where that is over half of its size.

    Where it is over the whole of it, the ground may have gone anywhere; but what is right in direction and size, to a half, is
    a shift more likely than not. Of a decimetre or less that says nothing. Source: common practice, no source.
    """
    size_m = math.hypot(way.east_m, way.north_m)
    if way.horizontal_m < size_m:
        yield way._replace(vague=2 * way.horizontal_m > size_m)
    elif size_m >= _LEAST_VAGUE_SHIFT_M:
        yield way._replace(vague=True, horizontal_m=size_m / 2)


def _out(s: Situation, shift: Shift) -> tuple[float, float]:
    return shift.doubt.horizontal_m, shift.doubt.vertical_m + s.height_doubt_m
