"""The true world of a scenario: where base and rover really are, and the little geodesy that inventing them takes.

Positions are earth-centred earth-fixed (ECEF) metres in the project's frame; offsets are east, north, up in metres.
"""

from __future__ import annotations

import math

from witnesspost.replay.world.scenario import Scenario, ScenarioError
from witnesspost.replay.world.sky import Vector, local_axes
from witnesspost.rules.coordinates import Ecef, Enu, Geodetic
from witnesspost.rules.datum.geodesy import DatumError, point_at
from witnesspost.rules.datum.geoid import GeoidError, open_geoid
from witnesspost.rules.site.model import Site

_A_M = 6_378_137.0
_E2 = 0.00669438002290
"""GRS 80 (EPSG ellipsoid 7019): semi-major axis and first eccentricity squared."""


class World:
    """The places of a scenario: `mark`, `arp` (right), and the axes there. `geoid` is what the receivers carry.

    Raises ScenarioError where the site's datum gives no place.
    """

    def __init__(self, scenario: Scenario) -> None:
        site = scenario.site
        self.scenario = scenario
        control = site.project.control if site.project else []
        try:
            self._points = {point.name: self._true(site, point.name) for point in control}
            self.geoid = open_geoid(site)
        except (DatumError, GeoidError) as error:
            raise ScenarioError(scenario.name, [f"site.{error}"]) from None
        self.mark: Ecef = self._points[scenario.base.stands_on or site.base.occupies or ""]
        self.axes = local_axes(self.mark)
        height_m = scenario.base.antenna_height_m
        self.antenna_height_m: float = site.base.antenna_height_m if height_m is None else height_m
        self.arp = shifted(self.mark, self.axes, Enu(0.0, 0.0, self.antenna_height_m))

    def _true(self, site: Site, name: str) -> Ecef:
        """A mark where it really is: where the ground has it, or as the list has it over the ground's own geoid."""
        ground = self.scenario.ground
        listed = ecef(*ground.marks[name]) if name in ground.marks else point_at(site, name).ecef
        return shifted(listed, local_axes(listed), Enu(0.0, 0.0, ground.geoid_above_m))

    def offset_of(self, name: str) -> Enu:
        """East, north and up of a control point's mark from the base's, along the axes there."""
        away = minus(self.point(name), self.mark)
        east, north, up = (sum(a * b for a, b in zip(away, axis, strict=True)) for axis in self.axes)
        return Enu(east, north, up)

    def from_base(self, east_m: float, north_m: float, up_m: float = 0.0) -> Ecef:
        """The point that lies so from the base's mark, over the flat ground of an invented quarry."""
        return shifted(self.mark, self.axes, Enu(east_m, north_m, up_m))

    def point(self, name: str) -> Ecef:
        """A control point's mark."""
        return self._points[name]

    def separation_m(self, latitude: float, longitude: float) -> float:
        """The geoid separation of the project's model, 0 where it does not cover."""
        return self.geoid.separation_m(latitude, longitude) or 0.0


def shifted(ecef: Ecef, axes: tuple[Vector, Vector, Vector], offset: Enu) -> Ecef:
    """`ecef` moved by east, north and up along the local axes."""
    (ex, ey, ez), (nx, ny, nz), (ux, uy, uz) = axes
    e, n, u = offset
    return Ecef(
        ecef.x_m + e * ex + n * nx + u * ux,
        ecef.y_m + e * ey + n * ny + u * uy,
        ecef.z_m + e * ez + n * nz + u * uz,
    )


def moved(ecef: Ecef, by: Vector) -> Ecef:
    """A place moved by a geocentric difference."""
    return Ecef(ecef.x_m + by[0], ecef.y_m + by[1], ecef.z_m + by[2])


def plus(a: Vector, b: Vector) -> Vector:
    """The sum of two geocentric differences."""
    return (a[0] + b[0], a[1] + b[1], a[2] + b[2])


def minus(a: Ecef, b: Ecef) -> Vector:
    """The geocentric difference of two places."""
    return (a.x_m - b.x_m, a.y_m - b.y_m, a.z_m - b.z_m)


def ecef(latitude: float, longitude: float, height_m: float) -> Ecef:
    """ECEF of degrees and ellipsoidal height on GRS 80 (IOGP 373-7-2, method 9602)."""
    phi, lam = math.radians(latitude), math.radians(longitude)
    n = _A_M / math.sqrt(1 - _E2 * math.sin(phi) ** 2)
    flat = (n + height_m) * math.cos(phi)
    return Ecef(flat * math.cos(lam), flat * math.sin(lam), (n * (1 - _E2) + height_m) * math.sin(phi))


def geodetic(ecef: Ecef) -> Geodetic:
    """Latitude, longitude (degrees) and ellipsoidal height (m) on GRS 80.

    Bowring's closed form (Survey Review 23, 1976) taken twice: under a micrometre near the ground.
    """
    x, y, z = ecef
    p = math.hypot(x, y)
    b_over_a = math.sqrt(1 - _E2)
    second = _E2 / (1 - _E2)
    reduced = math.atan2(z, p * b_over_a)
    for _round in range(2):
        latitude = math.atan2(z + second * b_over_a * _A_M * math.sin(reduced) ** 3, p - _E2 * _A_M * math.cos(reduced) ** 3)
        reduced = math.atan2(b_over_a * math.sin(latitude), math.cos(latitude))
    sin_lat, cos_lat = math.sin(latitude), math.cos(latitude)
    n = _A_M / math.sqrt(1 - _E2 * sin_lat**2)
    height = p * cos_lat + z * sin_lat - _A_M * _A_M / n
    return Geodetic(math.degrees(latitude), math.degrees(math.atan2(y, x)), height)
