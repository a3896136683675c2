"""The three ways in which a place is said. Each is a type of its own, so that one is never taken for another.

A leaf: imports nothing of ours. What converts one into another is `rules.datum.geodesy`, with PROJ.
"""

from __future__ import annotations

import math
from typing import NamedTuple

LEAST_RADIUS_M, MOST_RADIUS_M = 6_300_000.0, 6_400_000.0
"""Of places on the ground: the polar radius is 6357 km and the deepest trench 11 km; the highest summit is 6384 km out."""


class Ecef(NamedTuple):
    """Earth-centred earth-fixed (geocentric) metres: a place, as RTCM 1005 and 1006 say it."""

    x_m: float
    y_m: float
    z_m: float


class Enu(NamedTuple):
    """East, north and up in metres: one place as seen from another, along the axes of the other."""

    east_m: float
    north_m: float
    up_m: float

    def within(self, horizontal_m: float, vertical_m: float) -> bool:
        """True where it is no farther off in plan than the one, and in height than the other."""
        return math.hypot(self.east_m, self.north_m) <= horizontal_m and abs(self.up_m) <= vertical_m

    def less(self, other: Enu) -> Enu:
        """What is left of it once the other is taken off."""
        return Enu(self.east_m - other.east_m, self.north_m - other.north_m, self.up_m - other.up_m)


class Geodetic(NamedTuple):
    """Latitude and longitude in degrees (north and east positive, from Greenwich) and ellipsoidal height in metres."""

    latitude: float
    longitude: float
    height_m: float
