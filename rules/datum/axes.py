"""The project's own axes around its control, as polynomials, for queries that turn a receiver's degrees into project numbers.

A frame's projection and a geoid are PROJ's, and a table's reader has no PROJ. Over the few kilometres of a job both are smooth,
so that a cubic in latitude and longitude says the same to well under a millimetre: what it leaves out of a projection is about
(10/6371)⁴/24 of the earth's radius over 10 km, 2 µm. A geoid's grid is less smooth; how far off the polynomials are is measured
between their nodes, and said.

u and w run from −1 to 1 over the ground. The cubic is the least-squares one over 4 × 4 equidistant nodes, by Gram's orthogonal
polynomials (any text on numerical analysis), turned into plain powers.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

from witnesspost.rules.datum.frames import FrameError
from witnesspost.rules.datum.geodesy import position
from witnesspost.rules.datum.geoid import GeoidError, open_geoid
from witnesspost.rules.datum.opening import open_frame
from witnesspost.rules.gnss import HEIGHT_UNIT_M
from witnesspost.rules.site.model import Site

REACH_M = 10_000.0  # beyond the control: common practice, no source
_FARTHEST_M = 40_000.0  # control farther than this about its middle is no one job's
_METRES_PER_DEGREE = 111_320.0
_ORDER = 3
_NODES = [-1.0 + 2.0 * k / _ORDER for k in range(_ORDER + 1)]
_BETWEEN = [-1.0 + k / 8 for k in range(17)]


def project_axes(site: Site) -> dict[str, float | None] | None:
    """The polynomials of `site`'s project; None where it has no control, or ground too wide for one.

    `latitude_0`, `longitude_0` and the `reach_` (degrees) say where they hold: u and w are the differences over the reach.
    e.., n.. are easting and northing in the frame's unit (None: geographic), s.. what comes off an ellipsoidal height, in
    `height_unit`; e21 is the coefficient of u²w. `error_m` is the worst found between the nodes, in plan or height.
    """
    project = site.project
    if project is None or not project.control:
        return None
    try:
        frame, geoid = open_frame(site), open_geoid(site)
    except (FrameError, GeoidError):
        return None
    places = [position(frame, control) for control in project.control]
    if not all(math.isfinite(latitude + longitude) for latitude, longitude in places):
        return None
    south, north = min(place[0] for place in places), max(place[0] for place in places)
    west, east = min(place[1] for place in places), max(place[1] for place in places)
    latitude_0, longitude_0 = (south + north) / 2, (west + east) / 2
    east_m = _METRES_PER_DEGREE * max(0.01, math.cos(math.radians(latitude_0)))
    reach_latitude = (north - south) / 2 + REACH_M / _METRES_PER_DEGREE
    reach_longitude = (east - west) / 2 + REACH_M / east_m
    if max(reach_latitude * _METRES_PER_DEGREE, reach_longitude * east_m) > _FARTHEST_M:
        return None
    unit_m = HEIGHT_UNIT_M[project.height_unit]

    def separation(latitude: float, longitude: float) -> float:
        above = geoid.separation_m(latitude, longitude) or 0.0 if project.vertical == "geoid" else 0.0
        plane = frame.calibration.separation_m(latitude, longitude) if frame.calibration is not None else 0.0
        return (above + plane) / unit_m

    def scaled(function: Callable[[float, float], float]) -> Callable[[float, float], float]:
        return lambda u, w: function(latitude_0 + u * reach_latitude, longitude_0 + w * reach_longitude)

    wanted: dict[str, tuple[Callable[[float, float], float], float]] = {"s": (scaled(separation), unit_m)}
    if frame.projected:
        grid_m = frame.unit_m or 1.0
        wanted["e"] = scaled(lambda latitude, longitude: frame.grid(latitude, longitude)[0]), grid_m
        wanted["n"] = scaled(lambda latitude, longitude: frame.grid(latitude, longitude)[1]), grid_m
    found: dict[str, float | None] = {
        "latitude_0": latitude_0,
        "longitude_0": longitude_0,
        "reach_latitude": reach_latitude,
        "reach_longitude": reach_longitude,
        "pole_m": site.rover.pole_height_m if site.post.role == "rover" else 0.0,
        "unit_m": unit_m,
    }
    worst_m = 0.0
    for name, (function, length_m) in wanted.items():
        powers = _cubic(function)
        found |= {f"{name}{i}{j}": value for (i, j), value in powers.items()}
        for u, w in itertools.product(_BETWEEN, _BETWEEN):
            value = sum(c * u**i * w**j for (i, j), c in powers.items())
            worst_m = max(worst_m, abs(value - function(u, w)) * length_m)
    found["error_m"] = round(worst_m, 5)
    return found


def _cubic(function: Callable[[float, float], float]) -> dict[tuple[int, int], float]:
    """The coefficients of u^i·w^j, i + j ≤ 3. The polynomials being orthogonal, each coefficient is found by itself."""
    values = [[function(u, w) for w in _NODES] for u in _NODES]
    powers: dict[tuple[int, int], float] = {(i, j): 0.0 for i in range(4) for j in range(4) if i + j <= _ORDER}
    for a, b in powers:
        one, two = _GRAM[a], _GRAM[b]
        p = [_value(one, x) for x in _NODES]
        q = [_value(two, x) for x in _NODES]
        size = sum(x * x for x in p) * sum(x * x for x in q)
        share = sum(p[i] * q[j] * values[i][j] for i in range(4) for j in range(4)) / size
        for i, c in enumerate(one):
            for j, d in enumerate(two):
                if c and d:
                    powers[i, j] += share * c * d
    return powers


# Orthogonal on −1, −1/3, 1/3, 1 (Gram's polynomials, up to a factor): ascending powers.
_GRAM: list[list[float]] = [[1.0], [0.0, 1.0], [-5.0 / 9.0, 0.0, 1.0], [0.0, -41.0 / 45.0, 0.0, 1.0]]


def _value(coefficients: list[float], x: float) -> float:
    return sum(c * x**k for k, c in enumerate(coefficients))
