"""A site's own grid, fitted to what GNSS has for the same marks: a 2D similarity and a height plane, by least squares.

    GNSS latitude, longitude ──transverse Mercator at the marks' middle, scale 1──► x, y (metres)
    easting + i·northing = a·(x + i·y) + b        a = scale · e^(i·rotation): four parameters, two marks or more
    ellipsoidal height − site height = c₀ + c₁·x + c₂·y        three marks or more, not in a line; else c₀ alone

The formulas are those of any adjustment text (a linear least-squares problem each, solved by its normal equations about the
middle of the marks, where they are well conditioned). The scale includes the effect of the site's height above the ellipsoid:
about 157 ppm per kilometre.
"""

from __future__ import annotations

import cmath
import functools
import math
from collections.abc import Sequence
from typing import Any, NamedTuple

from msgspec import Struct
from witnesspost.rules.gnss import Ellipsoid

FEWEST_MARKS = 2
FEWEST_FOR_A_PLANE = 3
NEAREST_M = 1.0  # marks that all lie this near their middle give no direction
NARROWEST = 0.01  # breadth to length of the marks, under which they lie in a line: a plane would tilt as it likes


class CalibrationError(ValueError):
    """No fit is possible with these marks; the text says why and what was expected."""


class Mark(Struct, frozen=True):
    """A control point in both systems: the site's (metres) and GNSS's (degrees and ellipsoidal metres)."""

    name: str
    east_m: float
    north_m: float
    height_m: float
    latitude: float
    longitude: float
    ellipsoidal_height_m: float


class Residual(Struct, frozen=True):
    """The residual at a mark, metres: the site's own coordinates minus the fitted ones; `up_m` is that of the height."""

    name: str
    east_m: float
    north_m: float
    up_m: float

    @property
    def horizontal_m(self) -> float:
        """Its length in plan."""
        return math.hypot(self.east_m, self.north_m)


class _Plane(NamedTuple):
    c0: float
    c1: float
    c2: float


class Calibration(Struct, frozen=True):
    """A fit. `scale` is site metres to GNSS metres; `rotation_degrees` is from GNSS's east to the site's, anticlockwise.

    `inclined` says whether the height plane is inclined, `slope_ppm` by how much.
    """

    scale: float
    rotation_degrees: float
    inclined: bool
    slope_ppm: float
    residuals: tuple[Residual, ...]
    exchanged_m: float
    """The largest residual in plan with easting and northing exchanged: far smaller where the site file has them so."""
    _a: complex
    _b: complex
    _plane: _Plane
    _origin: tuple[float, float]
    _ellipsoid: Ellipsoid

    @property
    def horizontal_m(self) -> float:
        """The largest residual in plan."""
        return max(residual.horizontal_m for residual in self.residuals)

    @property
    def vertical_m(self) -> float:
        """The largest residual in height, without its sign."""
        return max(abs(residual.up_m) for residual in self.residuals)

    def geographic(self, east_m: float, north_m: float) -> tuple[float, float]:
        """Latitude and longitude (degrees) of a point given in the site's coordinates."""
        z = (complex(east_m, north_m) - self._b) / self._a
        longitude, latitude = _plane_of(self._ellipsoid, *self._origin).transform(z.real, z.imag, direction="INVERSE")
        return float(latitude), float(longitude)

    def grid(self, latitude: float, longitude: float) -> tuple[float, float]:
        """The site's easting and northing (metres) of a point given in degrees."""
        w = self._a * _in_plane(self._ellipsoid, self._origin, latitude, longitude) + self._b
        return w.real, w.imag

    def separation_m(self, latitude: float, longitude: float) -> float:
        """What the height plane adds to a site height there, metres."""
        z = _in_plane(self._ellipsoid, self._origin, latitude, longitude)
        return _height(self._plane, z)


def calibrate(marks: Sequence[Mark], ellipsoid: Ellipsoid) -> Calibration:
    """The fit of these marks. Raises CalibrationError where they are too few or give no direction."""
    if len(marks) < FEWEST_MARKS:
        had = f"{len(marks)} mark has" if len(marks) == 1 else f"{len(marks)} marks have"
        raise CalibrationError(f"{had} both the site's coordinates and those from GNSS; expected at least two")
    # The middle by the mean of unit vectors: right across the antimeridian.
    middle = sum((cmath.rect(1.0, math.radians(mark.longitude)) for mark in marks), 0j)
    origin = (sum(mark.latitude for mark in marks) / len(marks), math.degrees(cmath.phase(middle)))
    zs = [_in_plane(ellipsoid, origin, mark.latitude, mark.longitude) for mark in marks]
    ws = [complex(mark.east_m, mark.north_m) for mark in marks]
    for what, points in (("their coordinates from GNSS", zs), ("the site's coordinates", ws)):
        centre = sum(points, 0j) / len(points)
        if not all(cmath.isfinite(point) for point in points):
            raise CalibrationError(f"{what} cannot be put on a plane; check their digits")
        if max(abs(point - centre) for point in points) < NEAREST_M:
            raise CalibrationError(f"by {what} the marks lie within {NEAREST_M:g} m of each other; expected marks apart")
    a, b = _similarity(zs, ws)
    exchanged = [complex(w.imag, w.real) for w in ws]
    left = [w - (a * z + b) for z, w in zip(zs, ws, strict=True)]
    a_exchanged, b_exchanged = _similarity(zs, exchanged)
    separations = [mark.ellipsoidal_height_m - mark.height_m for mark in marks]
    plane = _plane_through(zs, separations)
    return Calibration(
        scale=abs(a),
        rotation_degrees=math.degrees(cmath.phase(a)),
        inclined=(plane.c1, plane.c2) != (0.0, 0.0),
        slope_ppm=1e6 * math.hypot(plane.c1, plane.c2),
        residuals=tuple(
            Residual(mark.name, one.real, one.imag, _height(plane, z) - separation)
            for mark, one, z, separation in zip(marks, left, zs, separations, strict=True)
        ),
        exchanged_m=max(abs(w - (a_exchanged * z + b_exchanged)) for z, w in zip(zs, exchanged, strict=True)),
        _a=a,
        _b=b,
        _plane=plane,
        _origin=origin,
        _ellipsoid=ellipsoid,
    )


def _similarity(zs: Sequence[complex], ws: Sequence[complex]) -> tuple[complex, complex]:
    """The least-squares a and b of w = a·z + b."""
    z0, w0 = sum(zs, 0j) / len(zs), sum(ws, 0j) / len(ws)
    a = sum(((z - z0).conjugate() * (w - w0) for z, w in zip(zs, ws, strict=True)), 0j) / sum(abs(z - z0) ** 2 for z in zs)
    return a, w0 - a * z0


def _plane_through(zs: Sequence[complex], values: Sequence[float]) -> _Plane:
    """The least-squares c₀, c₁ and c₂ of value = c₀ + c₁·x + c₂·y; a level one where the points give no plane."""
    n = len(zs)
    z0, mean = sum(zs, 0j) / n, sum(values) / n
    xx = sum((z - z0).real ** 2 for z in zs)
    yy = sum((z - z0).imag ** 2 for z in zs)
    xy = sum((z - z0).real * (z - z0).imag for z in zs)
    # Eigenvalues of the normal matrix: squared length and breadth of the marks' figure.
    half, root = (xx + yy) / 2, math.hypot((xx - yy) / 2, xy)
    if n < FEWEST_FOR_A_PLANE or half - root < NARROWEST**2 * (half + root):
        return _Plane(mean, 0.0, 0.0)
    xv = sum((z - z0).real * (value - mean) for z, value in zip(zs, values, strict=True))
    yv = sum((z - z0).imag * (value - mean) for z, value in zip(zs, values, strict=True))
    determinant = xx * yy - xy * xy
    c1, c2 = (yy * xv - xy * yv) / determinant, (xx * yv - xy * xv) / determinant
    return _Plane(mean - c1 * z0.real - c2 * z0.imag, c1, c2)


def _height(plane: _Plane, z: complex) -> float:
    return plane.c0 + plane.c1 * z.real + plane.c2 * z.imag


def _in_plane(ellipsoid: Ellipsoid, origin: tuple[float, float], latitude: float, longitude: float) -> complex:
    x, y = _plane_of(ellipsoid, *origin).transform(longitude, latitude)
    return complex(x, y)


@functools.lru_cache(maxsize=8)
def _plane_of(ellipsoid: Ellipsoid, latitude: float, longitude: float) -> Any:
    from pyproj import Transformer

    semi_major_m, inverse_flattening = ellipsoid
    return Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
        f"+step +proj=tmerc +lat_0={latitude!r} +lon_0={longitude!r} +k=1 +a={semi_major_m!r} +rf={inverse_flattening!r}"
    )
