"""Reference frames: what a project's frame is, and how far other frames in use at a place stand from it.

Frames are compared in ITRF2014, at the day's epoch, and never through the WGS 84 ensemble (EPSG:4979), whose operations
are null and hide shifts of metres: PROJ is asked only for operations whose stated accuracy is known and better than
`ACCURACY_LIMIT_M`. All coordinates in and out of `shifts` are geocentric metres.

| frame | here | its reference epoch | source |
|---|---|---|---|
| NAD83(2011), (PA11), (MA11) | EPSG:6319, 6321, 6324 | 2010.0 | from memory of the frames' own definitions |
| NAD83(CSRS)v7 | EPSG:8254 | 2010.0 | from memory |
| ETRF2000, ETRF2014 (the realisations of ETRS89) | EPSG:7931, 8403 | 1989.0 | from memory |
| GDA94, GDA2020 | EPSG:4939, 7843 | 1994.0, 2020.0 | GDA2020 Technical Manual |
| ITRF2014, ITRF2020 | EPSG:7912, 9989 | the day's | |
"""

from __future__ import annotations

import functools
import math
from typing import Any, NamedTuple

from msgspec import Struct
from witnesspost.rules.coordinates import Ecef
from witnesspost.rules.datum.calibration import Calibration
from witnesspost.rules.datum.national import Way
from witnesspost.rules.gnss import Ellipsoid
from witnesspost.rules.site.tables import shown

ACCURACY_LIMIT_M = 0.1
ASSUMED_EPOCH = 2026.0  # while no receiver has said the date
ASSUMED_EPOCH_SIGMA_YEARS = 3.0

_ITRF2014, _ITRF2020 = 7912, 9989
_FIXED_TO_PLATE = {
    **dict.fromkeys((6319, 8254, 6321, 6324), 2010.0),
    **dict.fromkeys((8403, 7931), 1989.0),
    4939: 1994.0,
    7843: 2020.0,
}
_PLATES = (7843, 8403, 6321, 6324, 6319, 8254)  # whose motion is a place's: the first that is in use there
_ETRS89 = "European Terrestrial Reference System 1989 ensemble"
_ETRS89_REALISATIONS = (8403, 7931)
_ITRF_EPOCHS = (2010.0, 2020.0)


class FrameError(ValueError):
    """A frame cannot be used; the text says what was read and what was expected."""


class Shift(NamedTuple):
    """The base's numbers if they were of another frame or epoch: `name` says which, `sigma_m` how sure they are."""

    name: str
    at: Ecef
    sigma_m: float


class Place(NamedTuple):
    """Geocentric metres, with the latitude and longitude (degrees) that say which frames are in use there."""

    at: Ecef
    latitude: float
    longitude: float


class Frame(Struct, frozen=True, kw_only=True):
    """A project's frame: geographic (2D or 3D) or projected, with the ellipsoid that its heights stand on.

    `unit_m` is the length of one unit of a projected frame in metres, None for a geographic one. `code_3d` is the EPSG
    code of its geographic 3D form, None where EPSG has none. `area` is west, south, east, north in degrees (east may
    be less than west, across the antimeridian), None where unknown.

    Latitude and longitude are always in a frame that GNSS speaks. Where the project's own datum is not one, `way` leads to
    it; a site's own grid has a `calibration`; ellipsoid, `code_3d` and `ensemble` are then that frame's (`gnss_name`).
    `accuracy_m` is what that costs in plan, `height_accuracy_m` in height: 0 where the frame is GNSS's own.
    """

    name: str
    code: str
    semi_major_m: float
    inverse_flattening: float
    unit_m: float | None
    two_d: bool
    code_3d: int | None
    ensemble: str | None
    area: tuple[float, float, float, float] | None
    gnss_name: str = ""
    accuracy_m: float = 0.0
    height_accuracy_m: float = 0.0
    way: Way | None = None
    calibration: Calibration | None = None
    _geodetic_degrees: float = 1.0
    _greenwich_degrees: float = 0.0

    @property
    def projected(self) -> bool:
        """True if control is easting and northing."""
        return self.unit_m is not None

    @property
    def ellipsoid(self) -> Ellipsoid:
        """What its heights stand on (the inverse flattening is 0 for a sphere)."""
        return Ellipsoid(self.semi_major_m, self.inverse_flattening)

    def geographic(self, easting: float, northing: float) -> tuple[float, float]:
        """Latitude and longitude (degrees from Greenwich) of grid coordinates in the frame's unit; inf outside it."""
        if self.calibration is not None:
            assert self.unit_m is not None
            return self.calibration.geographic(easting * self.unit_m, northing * self.unit_m)
        longitude, latitude = _to_geographic(self.code).transform(easting, northing)
        return self.from_own_datum(latitude, longitude)

    def grid(self, latitude: float, longitude: float) -> tuple[float, float]:
        """Easting and northing in the frame's unit of latitude and longitude (degrees from Greenwich)."""
        if self.calibration is not None:
            assert self.unit_m is not None
            east_m, north_m = self.calibration.grid(latitude, longitude)
            return east_m / self.unit_m, north_m / self.unit_m
        if self.way is not None:
            latitude, longitude = self.way.back(latitude, longitude)
        else:
            latitude, longitude = self._in_own_unit(latitude, longitude - self._greenwich_degrees)
        east, north = _to_geographic(self.code).transform(longitude, latitude, direction="INVERSE")
        return float(east), float(north)

    def from_degrees(self, latitude: float, longitude: float) -> tuple[float, float]:
        """GNSS's latitude and longitude (degrees from Greenwich) of degrees in the frame, from its own meridian."""
        return self.from_own_datum(*self._in_own_unit(latitude, longitude))

    def from_own_datum(self, latitude: float, longitude: float) -> tuple[float, float]:
        """The same of angles in the frame's own unit."""
        if self.way is not None:
            return self.way.forward(latitude, longitude)
        return latitude * self._geodetic_degrees, longitude * self._geodetic_degrees + self._greenwich_degrees

    def on_own_datum(self, latitude: float, longitude: float) -> tuple[float, float] | None:
        """The place's angles on the project's old datum, degrees from Greenwich; None where the datum is GNSS's own."""
        if self.way is None:
            return None
        north, east = self.way.back(latitude, longitude)
        return north * self._geodetic_degrees, east * self._geodetic_degrees + self._greenwich_degrees

    def _in_own_unit(self, latitude: float, longitude: float) -> tuple[float, float]:
        return latitude / self._geodetic_degrees, longitude / self._geodetic_degrees

    def in_use_at(self, latitude: float, longitude: float, margin_degrees: float = 0.0) -> bool:
        """True if PROJ's database says that the frame is in use there (a bounding box, widened by the margin)."""
        if self.area is None:
            return True
        west, south, east, north = self.area
        width = (east - west) % 360.0 or 360.0
        offset = (longitude - west + margin_degrees) % 360.0
        return south - margin_degrees <= latitude <= north + margin_degrees and offset <= width + 2 * margin_degrees

    @property
    def reference_epoch(self) -> float | None:
        """The epoch of a frame that is fixed to its plate, from the table above; None for any other."""
        return 1989.0 if self.ensemble == _ETRS89 else _FIXED_TO_PLATE.get(self.code_3d or 0)


@functools.lru_cache(maxsize=64)
def frame_of(code: str) -> Frame:
    """The frame of that EPSG code ("EPSG:6319"). Raises FrameError."""
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    remedy = "expected a geographic or projected frame such as EPSG:6319"
    try:
        crs = CRS.from_user_input(code)
    except CRSError:
        raise FrameError(f"read {shown(code)}, which PROJ does not know; {remedy}") from None
    if crs.is_compound:
        part = crs.sub_crs_list[0]
        raise FrameError(
            f"read {code!r} ({crs.name}), a compound; expected its horizontal part, {_code(part)}, with `vertical` and `geoid`"
        )
    if crs.is_geocentric or not (crs.is_geographic or crs.is_projected):
        raise FrameError(f"read {code!r} ({crs.name}), which is neither geographic nor projected; {remedy}")
    geodetic = crs.geodetic_crs
    if crs.ellipsoid is None or geodetic is None or geodetic.datum is None:
        raise FrameError(f"read {code!r} ({crs.name}), which has no ellipsoid; {remedy}")
    meridian = geodetic.prime_meridian
    box = crs.area_of_use
    return Frame(
        name=crs.name,
        code=code,
        gnss_name=geodetic.name,
        semi_major_m=crs.ellipsoid.semi_major_metre,
        inverse_flattening=crs.ellipsoid.inverse_flattening,
        unit_m=crs.axis_info[0].unit_conversion_factor if crs.is_projected else None,
        two_d=len(crs.axis_info) == 2,
        code_3d=geodetic.to_3d().to_epsg(),
        ensemble=geodetic.datum.name if geodetic.datum.type_name == "Datum Ensemble" else None,
        area=box.bounds if box else None,
        _geodetic_degrees=math.degrees(geodetic.axis_info[0].unit_conversion_factor),
        _greenwich_degrees=_meridian_degrees(meridian),
    )


def motion_frame(latitude: float, longitude: float) -> Frame | None:
    """A frame fixed to the plate under the place, by which PROJ knows how the place moves; None where it has none."""
    frames = (frame_of(f"EPSG:{code}") for code in _PLATES)
    return next((frame for frame in frames if frame.in_use_at(latitude, longitude)), None)


def frame_shifts(frame: Frame, epoch: float | None, place: Place, today: float | None) -> list[Shift]:
    """The place (numbers in `frame`) in each other frame in use there, on the day: what a base would broadcast.

    `epoch` is the project's coordinate epoch, `today` the day's, both decimal years; None: unknown. Nothing is
    predicted from a frame that PROJ cannot tie to ITRF2014 well enough.
    """
    day = ASSUMED_EPOCH if today is None else today
    itrf = _in_itrf2014(frame, epoch, place, day)
    if itrf is None:
        return []
    # Real marks move within their frame by millimetres a year; nobody's typed coordinate is better than a centimetre.
    moving = _drift_m(place, day) * ASSUMED_EPOCH_SIGMA_YEARS if today is None else 0.0
    sigma = math.hypot(0.05 if frame.ensemble else 0.02, moving)
    shifts = [Shift(f"ITRF2014 at {day:.1f}", itrf, sigma)]
    itrf2020 = _transform(_ITRF2014, _ITRF2020, itrf, day)
    if itrf2020 is not None:
        shifts.append(Shift(f"ITRF2020 at {day:.1f}", itrf2020, sigma))
    for then in _ITRF_EPOCHS:
        earlier = _in_itrf2014(frame, epoch, place, then) if abs(then - day) > 1.0 else None
        if earlier is not None:
            shifts.append(Shift(f"ITRF2014 at {then:.1f}", earlier, 0.05 if frame.ensemble else 0.02))
    for code in _FIXED_TO_PLATE:
        other = frame_of(f"EPSG:{code}")
        own = code == frame.code_3d or (frame.ensemble == _ETRS89 and code in _ETRS89_REALISATIONS)
        if not own and other.in_use_at(place.latitude, place.longitude):
            there = _transform(_ITRF2014, code, itrf, day)
            if there is not None:
                shifts.append(Shift(other.name, there, sigma))
    return shifts


def epoch_shift(frame: Frame, epoch: float | None, place: Place, today: float | None) -> Shift | None:
    """The place moved with its plate from the project's epoch to the day; None where no motion is known there.

    Where the site file gives no epoch, it is the frame's own reference epoch.
    """
    plate = motion_frame(place.latitude, place.longitude)
    then = epoch if epoch is not None else frame.reference_epoch
    if plate is None or plate.code_3d is None or then is None:
        return None
    day = ASSUMED_EPOCH if today is None else today
    fixed = _transform(_ITRF2014, plate.code_3d, place.at, then)
    moved = _transform(plate.code_3d, _ITRF2014, fixed, day) if fixed is not None else None
    if moved is None:
        return None
    years = ASSUMED_EPOCH_SIGMA_YEARS if today is None else 0.0
    sigma = math.hypot(0.01, _drift_m(place, day) * years)
    return Shift(f"{then:.1f} to {day:.1f}", moved, sigma)


def _in_itrf2014(frame: Frame, epoch: float | None, place: Place, day: float) -> Ecef | None:
    """Numbers of `frame` as ITRF2014 on the day: a plate-fixed frame by its operation, a global one by its plate."""
    if frame.ensemble == _ETRS89:
        return _transform(_ETRS89_REALISATIONS[0], _ITRF2014, place.at, day)
    if frame.code_3d is None or frame.ensemble is not None:
        return None
    if frame.code_3d in _FIXED_TO_PLATE:
        return _transform(frame.code_3d, _ITRF2014, place.at, day)
    then = day if epoch is None else epoch
    there = _transform(frame.code_3d, _ITRF2014, place.at, then)
    plate = motion_frame(place.latitude, place.longitude)
    if there is None or plate is None or plate.code_3d is None or then == day:
        return there
    fixed = _transform(_ITRF2014, plate.code_3d, there, then)
    return None if fixed is None else _transform(plate.code_3d, _ITRF2014, fixed, day)


def _drift_m(place: Place, day: float) -> float:
    """How far the plate carries the place in a year, metres; 0.05 where unknown."""
    plate = motion_frame(place.latitude, place.longitude)
    if plate is None or plate.code_3d is None:
        return 0.05
    fixed = _transform(_ITRF2014, plate.code_3d, place.at, day)
    later = _transform(plate.code_3d, _ITRF2014, fixed, day + 1.0) if fixed is not None else None
    return 0.05 if later is None else math.dist(place.at, later)


def _transform(source: int, target: int, at: Ecef, epoch: float) -> Ecef | None:
    """Geocentric to geocentric at an epoch; None where PROJ has no operation good enough."""
    if source == target:
        return at
    # One operation serves both directions: to find one takes PROJ tens of milliseconds, and the alert waits for it.
    backwards = source == _ITRF2014
    operation = _operation(target if backwards else source, _ITRF2014 if backwards else target)
    if operation is None:
        return None
    before, after = _cart(f"EPSG:{source}"), _cart(f"EPSG:{target}")
    longitude, latitude, height = before.transform(*at, direction="INVERSE")
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


@functools.lru_cache(maxsize=16)
def cartesian(semi_major_m: float, inverse_flattening: float) -> Any:
    """PROJ's conversion of longitude, latitude (degrees) and ellipsoidal height to geocentric metres (EPSG:9602)."""
    from pyproj import Transformer

    shape = f"+R={semi_major_m!r}" if inverse_flattening == 0 else f"+a={semi_major_m!r} +rf={inverse_flattening!r}"
    to_radians = "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad"
    return Transformer.from_pipeline(f"{to_radians} +step +proj=cart {shape}")


@functools.lru_cache(maxsize=64)
def _to_geographic(code: str) -> Any:
    from pyproj import CRS, Transformer

    crs = CRS.from_user_input(code)
    return Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)


def _meridian_degrees(meridian: Any) -> float:
    return math.degrees(meridian.longitude * meridian.unit_conversion_factor) if meridian else 0.0


def _code(crs: Any) -> str:
    known = crs.to_epsg()
    return f"EPSG:{known}" if known else str(crs.name)
