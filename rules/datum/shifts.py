"""How far other reference frames in use at a place are from the project's: what a base would broadcast in each.

Frames are compared in ITRF2014 at the day's epoch, and never through the WGS 84 ensemble (EPSG:4979), whose operations are
null and hide shifts of metres. There are three ways into it:

1. by PROJ, where its operation's stated accuracy is known and better than `ACCURACY_LIMIT_M` (or is the definition);
2. as a sister: the frame's numbers are those of a frame that PROJ can join, within a doubt (the national realisations of
   ETRS89 beside ETRF2000, say);
3. by the plate: the numbers were ITRF at the frame's epoch, and the ground has moved since (`rules.datum.plates`).

Each shift says its way, and how far it may be out: the operation's accuracy or the doubt, and for the years since the
frame's epoch what the ground there may move off its plate.
"""

from __future__ import annotations

import contextlib
import functools
import math
from typing import Any, NamedTuple

from witnesspost.rules.coordinates import Ecef
from witnesspost.rules.datum import plates
from witnesspost.rules.datum.frames import Frame, Place, cartesian, frame_of

ACCURACY_LIMIT_M = 0.1
ASSUMED_EPOCH = 2026.0  # while no receiver has said the date
ASSUMED_EPOCH_YEARS = 5.0  # how far that may be out
MARK_M = 0.03  # real marks move within their frame, and no typed coordinate is better: common practice, no source

_ITRF2014, _ITRF2020 = 7912, 9989
_ITRF_EPOCHS = (2010.0, 2015.0, 2020.0)  # of coordinates that a service or an archive gives; common practice, no source
_UNSTATED_M = 0.03  # PROJ states no accuracy for a chain of operations whose parts are good to a centimetre

# Joined by PROJ: EPSG code of the geographic 3D frame, and the epoch of its coordinates.
_JOINED = {
    6319: 2010.0,  # NAD83(2011): the frame's definition, from memory
    8254: 2010.0,  # NAD83(CSRS)v7: from memory
    6321: 2010.0,  # NAD83(PA11)
    6324: 2010.0,  # NAD83(MA11)
    8403: 1989.0,  # ETRF2014, of ETRS89
    7931: 1989.0,  # ETRF2000, of ETRS89
    4939: 1994.0,  # GDA94: GDA2020 Technical Manual
    7843: 2020.0,  # GDA2020: GDA2020 Technical Manual
}
_MOTION = {7843: "AUST", 8403: "EURA", 6321: "PCFC", 6319: "NOAM", 8254: "NOAM"}  # whose points move with the plate under them

_ETRS89 = 4937
_OF_ETRS89 = frozenset({
    _ETRS89, 8403, 7931, 4977, 4965, 7042, 9776, 9781, 4935, 4949, 10304, 4951, 4943, 4983, 6705, 4883, 4889, 4933, 7797,
    4074, 8684, 9139, 9701, 10283, 10327, 10570, 8399, 5592, 4017,
})  # fmt: skip
# Sister frames: their numbers are another frame's, within a doubt in metres. From memory of EPSG's remarks on each datum.
_SISTERS = {
    **dict.fromkeys(_OF_ETRS89 - {8403, 7931}, (7931, 0.05)),
    _ETRS89: (8403, 0.10),  # the ensemble: PROJ treats it as its latest realisation
    4893: (6319, 0.05),  # NAD83(NSRS2007)
    6782: (6319, 0.05),  # NAD83(CORS96)
    4957: (6319, 0.15),  # NAD83(HARN)
    **dict.fromkeys((4955, 8231, 8235, 8239, 8244, 8248, 8251, 10413), (8254, 0.05)),  # NAD83(CSRS) and its versions
}
_SISTER_M = 0.05
_OLDER = frozenset({4893, 6782, 4957, 8231, 8235, 8239, 8244, 8248, 8251, 10413, 7042, 9778, 9783})  # named by their sister
# ITRF of an epoch, fixed to the ground since: from memory of EPSG's remarks on each datum.
_EPOCHS = {
    4989: 2000.4, 4975: 1995.4, 4997: 1995.4, 20045: 2018.0, 4963: 1995.4, 4929: 1993.8, 4961: 1995.4, 5342: 2006.6,
    5359: 2002.0, 8948: 2010.0, 9147: 2013.0, 9152: 2016.0, 20040: 2021.0, 5372: 1995.4, 5353: 1995.4, 5380: 1995.4,
    5364: 2005.8, 8906: 2014.6, 5370: 2000.0, 5392: 2007.8,  # SIRGAS and its national realisations
    4959: 2000.0, 6667: 2011.4, 4947: 1997.0, 4927: 2002.0, 4480: 2000.0, 3823: 1997.0, 8426: 1998.1,
    4941: 1994.0, 4482: 1988.0, 6364: 2010.0, 4921: 2000.0, 9469: 2012.0, 5545: 1994.0, 5245: 2009.5,
    5251: 2005.0, 7682: 2011.0, 3888: 1997.0, 8817: 2004.0, 9332: 2017.0, 7372: 2013.2, 4080: 1994.9, 7135: 2004.8,
    4945: 1993.6, 5323: 2004.6, 8085: 2016.5, 4967: 1995.0, 5488: 2009.0, 4971: 1993.0, 4907: 1989.0, 4999: 1993.0,
}  # fmt: skip
_REALISATION_M = 0.05  # one ITRF against another at the same epoch: centimetres


class Shift(NamedTuple):
    """The base's numbers if they were of another frame or epoch: `name` says which, `way` how the shift was worked out,
    `doubt` how far it may be out, metres.
    """

    name: str
    way: str
    ecef: Ecef
    doubt: plates.Doubt


class _Tie(NamedTuple):
    """How a frame's numbers become ITRF2014's: by PROJ's operation from `joined`, or with a plate since `epoch`."""

    joined: int | None
    epoch: float | None
    doubt_m: float
    way: str


def reference_epoch(frame: Frame) -> float | None:
    """The epoch that a plate-fixed frame's coordinates are of, from the tables above; None for any other."""
    code = frame.code_3d or 0
    sister = _sister(code, frame.gnss_name or frame.name)
    return _EPOCHS.get(code) or _JOINED.get(sister[0] if sister else code)


def frame_shifts(frame: Frame, epoch: float | None, place: Place, today: float | None) -> list[Shift]:
    """The place (numbers in `frame`) in each other frame in use there, on the day: what a base would broadcast.

    `epoch` is the project's coordinate epoch, `today` the day's, both decimal years; None: unknown. Empty where nothing
    ties the frame to ITRF2014 well enough.
    """
    day = ASSUMED_EPOCH if today is None else today
    own = _tie(frame, place)
    if own is None:
        return []
    itrf = _to_itrf2014(own, epoch, place, place.ecef, day)
    if itrf is None:
        return []
    undated_m = _drift_m(place, day) * ASSUMED_EPOCH_YEARS if today is None else 0.0
    doubt_today = _all(place, (_years(own, epoch, day),), MARK_M, own.doubt_m, undated_m)
    shifts = [Shift(f"ITRF2014 at {day:.1f}", own.way, itrf, doubt_today)]
    itrf2020 = _transform(_ITRF2014, _ITRF2020, itrf, day)
    if itrf2020 is not None:
        shifts.append(Shift(f"ITRF2020 at {day:.1f}", own.way, itrf2020, doubt_today))
    for then in _ITRF_EPOCHS:
        earlier = _to_itrf2014(own, epoch, place, place.ecef, then) if abs(then - day) > 1.0 else None
        if earlier is not None:
            doubt = _all(place, (_years(own, epoch, then),), MARK_M, own.doubt_m)
            shifts.append(Shift(f"ITRF2014 at {then:.1f}", own.way, earlier, doubt))
    for code in _in_use(round(place.latitude, 1), round(place.longitude, 1)):
        other = frame_of(f"EPSG:{code}")
        tie = _tie(other, place)
        if tie is None or code == frame.code_3d or _same_family(frame, own, code, tie):
            continue
        there = _from_itrf2014(tie, place, itrf, day)
        if there is not None:
            way = tie.way if tie.way == own.way else f"{own.way}; {tie.way}"
            years = (_years(own, epoch, day), _years(tie, None, day))
            shifts.append(Shift(other.name, way, there, _all(place, years, MARK_M, own.doubt_m, undated_m, tie.doubt_m)))
    return shifts


def epoch_shift(frame: Frame, epoch: float | None, place: Place, today: float | None) -> Shift | None:
    """The place moved with its plate from the project's epoch to the day; None where no motion is known there.

    Where the site file gives no epoch, it is the frame's own reference epoch.
    """
    then = epoch if epoch is not None else reference_epoch(frame)
    if then is None:
        return None
    day = ASSUMED_EPOCH if today is None else today
    found = _carried(place, place.ecef, then, day)
    if found is None:
        return None
    moved, way = found
    undated_m = _drift_m(place, day) * ASSUMED_EPOCH_YEARS if today is None else 0.0
    return Shift(f"{then:.1f} to {day:.1f}", way, moved, _all(place, (abs(day - then),), MARK_M, undated_m))


def motion_frame(latitude: float, longitude: float) -> Frame | None:
    """A frame fixed to the plate under the place, by which PROJ knows how the place moves; None where it has none."""
    plate = plates.plate_at(latitude, longitude)
    frames = (frame_of(f"EPSG:{code}") for code, fixed_to in _MOTION.items() if fixed_to == plate)
    return next((frame for frame in frames if frame.in_use_at(latitude, longitude)), None)


def _sister(code: int | None, name: str) -> tuple[int, float] | None:
    """The frame that PROJ can join whose numbers are this one's, and the doubt."""
    known = _SISTERS.get(code or 0)
    if known is None and code not in _JOINED and name.startswith(("ETRS89", "ETRF")):
        return 7931, _SISTER_M
    return known


def _tie(frame: Frame, place: Place) -> _Tie | None:
    plate = plates.plate_at(place.latitude, place.longitude)
    return _tie_of(frame.code_3d, frame.gnss_name or frame.name, frame.ensemble is not None, plate)


@functools.lru_cache(maxsize=256)
def _tie_of(code: int | None, name: str, ensemble: bool, plate: str | None) -> _Tie | None:
    if code is None:
        return None
    sister = _sister(code, name)
    if sister is not None:
        joined, doubt_m = sister
        return _Tie(joined, None, doubt_m, f"{name} taken as {frame_of(f'EPSG:{joined}').name}, to {doubt_m:.2f} m")
    if ensemble:
        return None
    if code in _EPOCHS:
        if plate is None:
            return None
        way = f"{name} as ITRF of {_EPOCHS[code]:.1f}, by the ITRF2014 plate motion model ({plates.NAMES[plate]} plate)"
        return _Tie(None, _EPOCHS[code], _REALISATION_M, way)
    operation = _operation(code, _ITRF2014) if code != _ITRF2014 else None
    if code != _ITRF2014 and operation is None:
        return None
    stated = operation.accuracy if operation is not None else 0.0
    accuracy_m = stated if stated >= 0 else _UNSTATED_M
    return _Tie(code, None, accuracy_m, f"by PROJ, stated to {accuracy_m:.2f} m" if accuracy_m else "by definition, in PROJ")


def _same_family(frame: Frame, own: _Tie, code: int, tie: _Tie) -> bool:
    """True for sisters: their numbers are the project's own within the doubt, so they predict nothing."""
    if frame.code_3d in _OF_ETRS89 and code in _OF_ETRS89:
        return not (frame.code_3d in _JOINED and code in _JOINED)
    return own.joined is not None and own.joined == tie.joined


def _to_itrf2014(tie: _Tie, epoch: float | None, place: Place, ecef: Ecef, day: float) -> Ecef | None:
    """Numbers of the tied frame as ITRF2014 on the day: a plate-fixed frame by its tie, a global one with its plate."""
    if tie.joined is None:
        found = _carried(place, ecef, tie.epoch or day, day)
        return found[0] if found else None
    if tie.joined in _JOINED:
        return _transform(tie.joined, _ITRF2014, ecef, day)
    then = day if epoch is None else epoch
    there = _transform(tie.joined, _ITRF2014, ecef, then)
    found = _carried(place, there, then, day) if there is not None and then != day else None
    return found[0] if found else there if then == day else None


def _from_itrf2014(tie: _Tie, place: Place, itrf: Ecef, day: float) -> Ecef | None:
    if tie.joined is not None:
        return _transform(_ITRF2014, tie.joined, itrf, day)
    found = _carried(place, itrf, day, tie.epoch or day)
    return found[0] if found else None


def _carried(place: Place, ecef: Ecef, then: float, day: float) -> tuple[Ecef, str] | None:
    """An ITRF2014 point of one epoch at another, with the plate under the place, and the way; None where none is known."""
    fixed = motion_frame(place.latitude, place.longitude)
    if fixed is not None and fixed.code_3d is not None:
        there = _transform(_ITRF2014, fixed.code_3d, ecef, then)
        moved = _transform(fixed.code_3d, _ITRF2014, there, day) if there is not None else None
        if moved is not None:
            return moved, f"by PROJ's motion of {fixed.name}"
    plate = plates.plate_at(place.latitude, place.longitude)
    if plate is None:
        return None
    return plates.moved(ecef, plate, day - then), f"by the ITRF2014 plate motion model ({plates.NAMES[plate]} plate)"


def _years(tie: _Tie, epoch: float | None, day: float) -> float:
    """The years since the coordinates of a tied frame were measured."""
    then = tie.epoch if tie.joined is None else _JOINED.get(tie.joined, epoch)
    if tie.joined in (7931, 8403):
        then = 2000.0  # ETRS89 is Eurasia of 1989, but its marks were measured later
    return abs(day - then) if then is not None else 0.0


def _all(place: Place, years: tuple[float, ...], *doubts_m: float) -> plates.Doubt:
    """The doubts, with what the ground there may have moved relative to its plate in so many years."""
    horizontal_m, vertical_m = plates.doubt_a_year(place.latitude, place.longitude)
    return plates.Doubt(*(math.hypot(*doubts_m, *(rate * one for one in years)) for rate in (horizontal_m, vertical_m)))


def _drift_m(place: Place, day: float) -> float:
    """How far the plate carries the place in a year, metres; 0.05 where unknown."""
    found = _carried(place, place.ecef, day, day + 1.0)
    return 0.05 if found is None else math.dist(place.ecef, found[0])


def _in_use(latitude: float, longitude: float) -> tuple[int, ...]:
    """EPSG codes of the frames of the tables above that are in use at a place, by PROJ's database."""
    east = (longitude + 180.0) % 360.0 - 180.0
    return tuple(code for code, area in _areas() if _holds(area, latitude, east))


@functools.cache
def _areas() -> tuple[tuple[int, Any], ...]:
    """The frames of the tables above that PROJ has, with their areas of use, in the tables' order.

    One by one: PROJ's search lists all that its database has, which takes ten times as long and as much memory.
    """
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    areas = []
    for code in (*_JOINED, *_EPOCHS, *sorted(_SISTERS)):
        if code not in _OLDER:
            with contextlib.suppress(CRSError):  # an older PROJ lacks the newest frames
                areas.append((code, CRS.from_epsg(code).area_of_use))
    return tuple((code, area) for code, area in areas if area)


def _holds(area: Any, latitude: float, east: float) -> bool:
    """True where a place lies in an area of use, which may go over the 180th meridian."""
    if not area.south <= latitude <= area.north:
        return False
    return bool(area.west <= east <= area.east if area.west <= area.east else east >= area.west or east <= area.east)


def _transform(source: int, target: int, ecef: Ecef, epoch: float) -> Ecef | None:
    """Geocentric to geocentric at an epoch; None where PROJ has no operation good enough."""
    if source == target:
        return ecef
    # One operation serves both directions: to find one takes PROJ tens of milliseconds, and the alert waits for it.
    backwards = source == _ITRF2014
    operation = _operation(target if backwards else source, _ITRF2014 if backwards else target)
    if operation is None:
        return None
    before, after = _cart(f"EPSG:{source}"), _cart(f"EPSG:{target}")
    longitude, latitude, height = before.transform(*ecef, direction="INVERSE")
    direction = "INVERSE" if backwards else "FORWARD"
    longitude, latitude, height, _ = operation.transform(longitude, latitude, height, epoch, direction=direction)
    x, y, z = after.transform(longitude, latitude, height)
    return Ecef(float(x), float(y), float(z)) if math.isfinite(x + y + z) else None


@functools.lru_cache(maxsize=64)
def _operation(source: int, target: int) -> Any:
    """PROJ's operation between two geographic 3D frames (longitude, latitude, height, epoch), or None."""
    from pyproj import Transformer
    from pyproj.exceptions import ProjError

    try:
        return Transformer.from_crs(
            f"EPSG:{source}", f"EPSG:{target}", always_xy=True, allow_ballpark=False, accuracy=ACCURACY_LIMIT_M
        )
    except ProjError:
        return None


def _cart(code: str) -> Any:
    frame = frame_of(code)
    return cartesian(frame.semi_major_m, frame.inverse_flattening)
