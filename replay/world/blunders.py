"""Each way in which a base's coordinate comes out wrong, worked out from the site as the blunder itself would.

Nothing here asks the rules' own explanations: a blunder makes the wrong coordinate, and theirs is to find out which. H is the
mark's height above the geoid, h its ellipsoidal one, N = h − H, a the antenna height; all metres.
"""

from __future__ import annotations

import datetime as dt
import math
import random
from collections.abc import Callable

from witnesspost.replay.world.events import Broadcast
from witnesspost.replay.world.scenario import Scenario, ScenarioError
from witnesspost.replay.world.sky import Vector
from witnesspost.replay.world.world import World, ecef, geodetic, minus, plus, shifted
from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.geodesy import point_at
from witnesspost.rules.datum.geoid import bundled_geoid

US_FOOT_M = 1200 / 3937
FOOT_M = 0.3048
"""The US survey foot and the foot (85 FR 62698)."""

_SLANT_RADIUS_M, _SLANT_DROP_M = 0.19, 0.055
"""A slant is taken to the antenna's edge, so far from its axis and so much above its ARP (common practice, no source)."""

_PLATE_FIXED = {"america": "EPSG:6319", "europe": "EPSG:8403", "australia": "EPSG:7843"}
_ITRF = "EPSG:7912"


class BlunderError(ScenarioError):
    """A `broadcast` event asks for what its site cannot give; the text says what was expected."""

    def __init__(self, scenario: Scenario, what: str):
        super().__init__(scenario.name, [f"event broadcast: {what}"])


def broadcast_error(event: Broadcast, scenario: Scenario, world: World, rng: random.Random) -> Vector:
    """Broadcast less true ARP, ECEF metres, of one `broadcast` event. Raises BlunderError."""
    error = minus(shifted(world.arp, world.axes, Enu(event.east_m, event.north_m, event.up_m)), world.arp)
    for cause in event.cause.split("+") if event.cause else ():
        blunder = BLUNDERS.get(cause)
        if blunder is not None:
            error = plus(error, blunder(_Base(event, scenario, world, rng)))
        elif not (event.east_m or event.north_m or event.up_m):
            raise BlunderError(scenario, f"cause {cause!r} is not computed; expected one of {', '.join(BLUNDERS)}")
    return error


class _Base:
    """The numbers that a person types at the base."""

    def __init__(self, event: Broadcast, scenario: Scenario, world: World, rng: random.Random) -> None:
        self.to = event.to
        self.scenario, self.world, self.rng = scenario, world, rng
        self.site = scenario.site
        self.name = self.site.base.occupies or ""
        self.mark = point_at(self.site, self.name)
        self.a = world.antenna_height_m
        self.latitude, self.longitude, self.h = geodetic(world.mark)
        self.n = world.separation_m(self.latitude, self.longitude)

    def up(self, up_m: float) -> Vector:
        """An error in the height alone."""
        return minus(shifted(self.world.arp, self.world.axes, Enu(0.0, 0.0, up_m)), self.world.arp)

    def mark_at(self, latitude: float, longitude: float, h: float | None = None) -> Vector:
        """An error that puts the mark there."""
        there = ecef(latitude, longitude, (self.h if h is None else h) + self.a)
        return minus(there, self.world.arp)

    @property
    def year(self) -> float:
        """The scenario's day as a decimal year."""
        start = self.scenario.start_utc
        year = dt.datetime(start.year, 1, 1, tzinfo=dt.UTC)
        return start.year + (start - year).total_seconds() / (365.25 * 86400)


def _other_geoid(base: _Base) -> Vector:
    return base.up(bundled_geoid().separation_m(base.latitude, base.longitude) - base.n)


def _slant(base: _Base) -> Vector:
    return base.up(math.hypot(base.a + _SLANT_DROP_M, _SLANT_RADIUS_M) - base.a)


def _feet_as_metres(base: _Base) -> Vector:
    value = base.a if base.to == "antenna" else base.h - base.n
    return base.up(value / FOOT_M - value)


def _metres_as_feet(base: _Base) -> Vector:
    value = base.a if base.to == "antenna" else base.h - base.n
    return base.up(value * FOOT_M - value)


def _grid(base: _Base) -> tuple[float, float]:
    control = base.site.control_point(base.name)
    if control is None or control.easting is None or control.northing is None:
        raise BlunderError(base.scenario, f"{base.name} has no easting and northing; expected a projected frame")
    return control.easting, control.northing


def _survey_foot(base: _Base) -> Vector:
    easting, northing = (value * US_FOOT_M / FOOT_M for value in _grid(base))
    return base.mark_at(*_from_grid(base, _frame(base), easting, northing))


def _other_zone(base: _Base) -> Vector:
    return base.mark_at(*_from_grid(base, str(base.to), *_grid(base)))


def _from_grid(base: _Base, frame: str, easting: float, northing: float) -> tuple[float, float]:
    from pyproj import CRS, Transformer

    crs = CRS(frame)
    to_geographic = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    longitude, latitude = to_geographic.transform(easting, northing)
    return float(latitude), float(longitude)


def _frame(base: _Base) -> str:
    return base.site.project.frame if base.site.project else ""


def _frame_shift(base: _Base) -> Vector:
    """The same place in the frame `to` (an EPSG code of a 3D frame), at the project's epoch or today's."""
    from pyproj import Transformer

    shift = Transformer.from_crs(_geographic_3d(base), str(base.to), always_xy=True)
    longitude, latitude, h, _year = shift.transform(base.longitude, base.latitude, base.h, base.year, errcheck=True)
    return base.mark_at(latitude, longitude, h)


def _epoch_shift(base: _Base) -> Vector:
    """The mark moves with its plate, `to` names which, from the project's epoch to today's; the frame is an ITRF."""
    from pyproj import Transformer

    epoch = base.site.project.epoch if base.site.project else None
    if epoch is None or str(base.to) not in _PLATE_FIXED:
        raise BlunderError(base.scenario, f"epoch-shift needs project.epoch, and to = one of {', '.join(_PLATE_FIXED)}")
    fixed = _PLATE_FIXED[str(base.to)]
    to_plate = Transformer.from_crs(_ITRF, fixed, always_xy=True)
    from_plate = Transformer.from_crs(fixed, _ITRF, always_xy=True)
    x, y, h, _t = to_plate.transform(base.longitude, base.latitude, base.h, epoch, errcheck=True)
    longitude, latitude, h, _t = from_plate.transform(x, y, h, base.year, errcheck=True)
    return base.mark_at(latitude, longitude, h)


def _geographic_3d(base: _Base) -> object:
    from pyproj import CRS

    crs = CRS(_frame(base))
    geographic = crs.geodetic_crs if crs.is_projected else crs
    return (geographic or crs).to_3d()


def _other_point(base: _Base) -> Vector:
    there = point_at(base.site, str(base.to), base.a).ecef
    return minus(there, base.world.arp)


def _sign_or_order(base: _Base) -> Vector:
    if base.to == "swapped":
        return base.mark_at(base.longitude, base.latitude)
    if base.to == "latitude":
        return base.mark_at(-base.latitude, base.longitude)
    return base.mark_at(base.latitude, -base.longitude)


def _rounded(base: _Base) -> Vector:
    decimals = int(base.to) if base.to is not None else 5
    return base.mark_at(round(base.latitude, decimals), round(base.longitude, decimals))


def _autonomous(base: _Base) -> Vector:
    """A single-point position: 2 to 8 m off, the height worse than the rest."""
    while True:
        offset = Enu(base.rng.gauss(0, 2.2), base.rng.gauss(0, 2.2), base.rng.gauss(0, 4.0))
        if 2.0 <= math.hypot(*offset) <= 8.0 and math.hypot(*offset[:2]) > 0.5:
            return minus(shifted(base.world.arp, base.world.axes, offset), base.world.arp)


BLUNDERS: dict[str, Callable[[_Base], Vector]] = {
    "orthometric-as-ellipsoidal": lambda base: base.up(-base.n),
    "geoid-applied-twice": lambda base: base.up(base.n),
    "other-geoid": _other_geoid,
    "antenna-height-missing": lambda base: base.up(-base.a),
    "antenna-height-doubled": lambda base: base.up(base.a),
    "slant-as-vertical": _slant,
    "feet-as-metres": _feet_as_metres,
    "metres-as-feet": _metres_as_feet,
    "survey-foot": _survey_foot,
    "frame-shift": _frame_shift,
    "epoch-shift": _epoch_shift,
    "other-control-point": _other_point,
    "sign-or-order": _sign_or_order,
    "other-zone": _other_zone,
    "rounded": _rounded,
    "autonomous-base": _autonomous,
}
"""Each cause of a wrong coordinate that is computed here."""
