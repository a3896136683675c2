"""The crew: where the rover's antenna is at each moment, and how its pole leans.

A crew that works walks for a while and stands over a point for a while, all day, within 150 m of where it began, with a
pole that swings up to 11 degrees on the way and stands within 1.5 of the plumb line (common practice, no source).
"""

from __future__ import annotations

import math
import random
from bisect import bisect_right
from itertools import pairwise
from typing import NamedTuple

from witnesspost.replay.world.events import Occupy, PoleLength, PoleTilt, Walk
from witnesspost.replay.world.scenario import Scenario
from witnesspost.replay.world.sky import local_axes
from witnesspost.replay.world.world import World, shifted
from witnesspost.rules.coordinates import Ecef, Enu

WALK_M_S = 1.2
_STANDS_S, _WALKS_S, _WITHIN_M = (15.0, 90.0), (10.0, 40.0), 150.0


class Crew:
    """One scenario's crew. Offsets are metres east and north of the base's mark."""

    def __init__(self, scenario: Scenario, world: World, rng: random.Random) -> None:
        self._world = world
        self._pole_m = scenario.site.rover.pole_height_m
        self._occupies = [event for event in scenario.events if isinstance(event, Occupy)]
        self._tilts = [event for event in scenario.events if isinstance(event, PoleTilt)]
        self._lengths = [event for event in scenario.events if isinstance(event, PoleLength)]
        start = (scenario.rover.east_m, scenario.rover.north_m)
        walks = [event for event in scenario.events if isinstance(event, Walk)]
        until_s = scenario.duration_s + scenario.controller.after_s
        self._legs = _work(start, until_s, rng) if scenario.rover.works else _told(start, walks, world)
        self._begins = [leg[0] for leg in self._legs]

    def antenna(self, t: float) -> Ecef:
        """Where the antenna is, ECEF metres: over the foot, unless the pole leans and that is to count."""
        pole_m = self._pole_m + sum(event.by_m for event in self._lengths if event.during(t))
        lean = next((event.angle_deg for event in self._tilts if event.moves and event.during(t)), 0.0)
        aside_m, up_m = pole_m * math.sin(math.radians(lean)), pole_m * math.cos(math.radians(lean))
        for event in self._occupies:
            if event.during(t):
                mark = self._world.point(event.point)
                offset = Enu(event.east_m + 0.8 * aside_m, event.north_m + 0.6 * aside_m, event.up_m + up_m)
                return shifted(mark, local_axes(mark), offset)
        east, north, up = self._foot(t)
        return self._world.from_base(east + 0.8 * aside_m, north + 0.6 * aside_m, up + up_m)

    def foot_at(self, t: float) -> Ecef:
        """Where the pole's foot is while the crew stands at no mark, ECEF metres."""
        return self._world.from_base(*self._foot(t))

    def stands(self) -> list[tuple[float, float]]:
        """When the crew stands still between two ways, from and to."""
        return [(one.ends, two.begins) for one, two in pairwise(self._legs)]

    def _foot(self, t: float) -> Enu:
        """Where the pole's foot is, from the base's mark."""
        begins, ends, start, end = self._leg(t)
        part = 1.0 if ends <= begins else min(1.0, max(0.0, (t - begins) / (ends - begins)))
        return Enu(*(one + part * (other - one) for one, other in zip(start, end, strict=True)))

    def _leg(self, t: float) -> _Leg:
        return self._legs[max(0, bisect_right(self._begins, t) - 1)]

    def walking(self, t: float) -> bool:
        """True while the rover is on its way."""
        begins, ends, _start, _end = self._leg(t)
        return begins <= t < ends and not any(event.during(t) for event in self._occupies)

    def speed_m_s(self, t: float) -> float:
        """The rover's speed over the ground."""
        begins, ends, start, end = self._leg(t)
        return math.dist(start[:2], end[:2]) / (ends - begins) if self.walking(t) else 0.0

    def tilt(self, t: float) -> tuple[float, bool]:
        """The pole's angle off the plumb line in degrees, and whether its sensor is aligned."""
        for event in self._tilts:
            if event.during(t):
                return event.angle_deg, event.aligned
        if self.walking(t):
            return 6.0 + 4.0 * math.sin(t * 3.1) + math.sin(t * 0.7), True
        return 0.9 + 0.5 * math.sin(t * 0.9), True


class _Leg(NamedTuple):
    """A stretch of the way: from when until when, from where to where (the pole's foot, from the base's mark)."""

    begins: float
    ends: float
    start: Enu
    end: Enu


def _told(start: tuple[float, float], walks: list[Walk], world: World) -> list[_Leg]:
    """The legs that the events name."""
    here = Enu(*start, 0.0)
    legs = [_Leg(0.0, 0.0, here, here)]
    for walk in walks:
        east, north, up = world.offset_of(walk.point) if walk.point is not None else (0.0, 0.0, 0.0)
        there = Enu(east + walk.east_m, north + walk.north_m, up + walk.up_m)
        legs.append(_Leg(walk.at_s, walk.at_s + math.dist(here, there) / walk.speed_m_s, here, there))
        here = there
    return legs


def _work(start: tuple[float, float], until_s: float, rng: random.Random) -> list[_Leg]:
    at, t = start, rng.uniform(*_STANDS_S)
    legs = [_Leg(0.0, 0.0, Enu(*at, 0.0), Enu(*at, 0.0))]
    while t < until_s:
        reach, bearing = WALK_M_S * rng.uniform(*_WALKS_S), rng.uniform(0, math.tau)
        there = (at[0] + reach * math.sin(bearing), at[1] + reach * math.cos(bearing))
        if math.dist(there, start) > _WITHIN_M:
            there = (start[0] + reach * math.sin(bearing), start[1] + reach * math.cos(bearing))
        length = max(math.dist(at, there), 0.1)
        legs.append(_Leg(t, t + length / WALK_M_S, Enu(*at, 0.0), Enu(*there, 0.0)))
        at, t = there, t + length / WALK_M_S + rng.uniform(*_STANDS_S)
    return legs
