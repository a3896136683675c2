"""How a place moves with its plate: the ITRF2014 plate motion model (Altamimi and others, 2017), as PROJ ships it.

PROJ's data folder has the model as one file of Helmert rates, `ITRF2014`, a section a plate (`+init=ITRF2014:EURA`). Its plates
are rigid; near their edges the ground is not. The boxes below say which plate is under a place and how far the model may
be out. They are rough, from memory of maps of plate boundaries and their orogens (Bird, 2003, draws them).
"""

from __future__ import annotations

import functools
from typing import Any, NamedTuple

from witnesspost.rules.coordinates import Ecef


class Box(NamedTuple):
    """South, north, west and east in degrees; east may be less than west, across the antimeridian."""

    south: float
    north: float
    west: float
    east: float

    def holds(self, latitude: float, longitude: float) -> bool:
        """True if the place lies in it."""
        width = (self.east - self.west) % 360.0 or 360.0
        return self.south <= latitude <= self.north and (longitude - self.west) % 360.0 <= width


NAMES = {
    "ANTA": "Antarctic", "ARAB": "Arabian", "AUST": "Australian", "EURA": "Eurasian", "INDI": "Indian", "NAZC": "Nazca",
    "NOAM": "North American", "NUBI": "Nubian", "PCFC": "Pacific", "SOAM": "South American", "SOMA": "Somalian",
}  # fmt: skip

# The first box that holds a place says its plate; None where the model has no plate (the Caribbean one).
_PLATES: tuple[tuple[str | None, Box], ...] = (
    ("ANTA", Box(-90.0, -60.0, -180.0, 180.0)),
    (None, Box(10.0, 20.0, -88.0, -59.0)),
    (None, Box(8.0, 17.0, -92.0, -82.0)),
    ("NAZC", Box(-40.0, 2.0, -112.0, -84.0)),
    ("PCFC", Box(-60.0, -41.0, 170.5, -115.0)),
    ("AUST", Box(-60.0, -10.5, 93.0, 180.0)),
    ("AUST", Box(-10.5, -4.0, 138.0, 157.0)),
    ("PCFC", Box(-41.0, 30.0, 155.0, -115.0)),
    ("NOAM", Box(13.0, 90.0, -170.0, -12.0)),
    ("NOAM", Box(41.0, 90.0, 141.5, -170.0)),
    ("SOAM", Box(-60.0, 13.0, -84.0, -14.0)),
    ("ARAB", Box(12.5, 33.0, 35.5, 60.0)),
    ("ARAB", Box(33.0, 37.0, 36.0, 45.0)),
    ("INDI", Box(5.0, 30.0, 66.0, 92.0)),
    ("SOMA", Box(-30.0, 12.0, 36.0, 60.0)),
    ("NUBI", Box(-60.0, 36.0, -30.0, 36.0)),
    ("EURA", Box(-12.0, 90.0, -30.0, 145.0)),
)

# How far the rigid model may be out, metres a year; elsewhere `_RIGID_M_A_YEAR`.
_DEFORMING: tuple[tuple[float, Box], ...] = (
    (0.025, Box(30.0, 46.0, 128.0, 147.0)),  # Japan; its earthquakes are more
    (0.030, Box(-48.0, -34.0, 165.0, 180.0)),  # New Zealand
    (0.040, Box(-48.0, 12.0, -82.0, -64.0)),  # the Andes
    (0.040, Box(-25.0, 22.0, 92.0, 180.0)),  # from Sumatra to the Philippines, Papua and Fiji
    (0.040, Box(-25.0, -10.0, 160.0, -170.0)),
    (0.030, Box(5.0, 24.0, -118.0, -82.0)),  # Central America and Mexico's Pacific side
    (0.030, Box(10.0, 20.0, -82.0, -59.0)),  # the Caribbean
    (0.040, Box(30.5, 43.0, -126.0, -113.5)),  # California and Nevada
    (0.020, Box(43.0, 50.0, -126.0, -119.0)),  # Cascadia
    (0.030, Box(51.0, 66.0, -180.0, -132.0)),  # Alaska
    (0.020, Box(63.0, 67.0, -25.0, -13.0)),  # Iceland
    (0.030, Box(33.0, 43.0, 18.0, 46.0)),  # Greece and Anatolia
    (0.008, Box(36.0, 46.0, 6.0, 18.0)),  # Italy and the Adriatic
    (0.030, Box(24.0, 44.0, 44.0, 64.0)),  # Zagros, Caucasus, Iran
    (0.040, Box(27.0, 45.0, 64.0, 106.0)),  # the Himalaya, Tibet, central Asia
    (0.030, Box(20.0, 27.0, 118.0, 124.0)),  # Taiwan
    (0.010, Box(18.0, 55.0, 100.0, 132.0)),  # east Asia moves nearly as Eurasia does, not with it
    (0.010, Box(-20.0, 16.0, 28.0, 44.0)),  # the East African rift
    (0.010, Box(28.0, 35.0, 33.0, 37.0)),  # the Dead Sea's fault
)  # fmt: skip
_RISING = (Box(55.0, 72.0, 4.0, 35.0), Box(48.0, 70.0, -110.0, -55.0))  # Fennoscandia and Hudson Bay, after the ice
_RIGID_M_A_YEAR = 0.002
# What is calm within those boxes.
_CALMER = (
    (_RIGID_M_A_YEAR, Box(-45.0, -10.5, 112.0, 155.0)),  # Australia
    (0.005, Box(19.5, 24.0, -103.0, -96.5)),  # the plateau of Mexico, far from its trench
)
_VERTICAL_M_A_YEAR = 0.010  # where the ground deforms or rises


def plate_at(latitude: float, longitude: float) -> str | None:
    """The model's code for the plate under the place, None where it has none."""
    return next((plate for plate, box in _PLATES if box.holds(latitude, longitude)), None)


class Doubt(NamedTuple):
    """How far the ground may move off its rigid plate, metres a year: sideways, and up."""

    horizontal_m: float
    vertical_m: float


def doubt_a_year(latitude: float, longitude: float) -> Doubt:
    """What the rigid model leaves out at the place."""
    calm = next((rate for rate, box in _CALMER if box.holds(latitude, longitude)), None)
    deforms = (rate for rate, box in _DEFORMING if box.holds(latitude, longitude))
    rate = max(deforms, default=_RIGID_M_A_YEAR) if calm is None else calm
    moves_up = rate > _RIGID_M_A_YEAR or any(box.holds(latitude, longitude) for box in _RISING)
    return Doubt(rate, _VERTICAL_M_A_YEAR if moves_up else _RIGID_M_A_YEAR)


def moved(ecef: Ecef, plate: str, years: float) -> Ecef:
    """A geocentric point (ITRF) moved along with its plate for so many years; backwards where they are negative."""
    x, y, z, _ = _motion(plate).transform(*ecef, _T0 + years)
    return Ecef(float(x), float(y), float(z))


_T0 = 2010.0  # any: only years from it count, and without one PROJ takes year 0


@functools.lru_cache(maxsize=16)
def _motion(plate: str) -> Any:
    from pyproj import Transformer

    return Transformer.from_pipeline(f"+proj=pipeline +step +init=ITRF2014:{plate} +t_epoch={_T0}")
