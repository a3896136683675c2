"""The crew: where the rover's antenna is at each moment, and how its pole leans.

A crew that works walks for a while and stands over a point for a while, all day, within 150 m of where it began, with a
pole that swings up to 11 degrees on the way and stands within 1.5 of the plumb line (common practice, no source).
"""

from __future__ import annotations

import math
import random
from bisect import bisect_right

from witnesspost.replay.world.events import Occupy, PoleTilt, Walk
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
        start = (scenario.rover.east_m, scenario.rover.north_m)
        walks = [event for event in scenario.events if isinstance(event, Walk)]
        self._legs = _work(start, scenario.duration_s, rng) if scenario.rover.works else _told(start, walks)
        self._begins = [leg[0] for leg in self._legs]

    def antenna(self, t: float) -> Ecef:
        """Where the antenna is, ECEF metres, were the pole plumb."""
        for event in self._occupies:
            if event.during(t):
                mark = self._world.point(event.point)
                return shifted(mark, local_axes(mark), Enu(event.east_m, event.north_m, event.up_m + self._pole_m))
        east, north = self.offset(t)
        return self._world.from_base(east, north, self._pole_m)

    def offset(self, t: float) -> tuple[float, float]:
        """East and north of the base, away from control points."""
        begins, ends, start, end = self._legs[max(0, bisect_right(self._begins, t) - 1)]
        part = 1.0 if ends <= begins else min(1.0, max(0.0, (t - begins) / (ends - begins)))
        return start[0] + part * (end[0] - start[0]), start[1] + part * (end[1] - start[1])

    def walking(self, t: float) -> bool:
        """True while the rover is on its way."""
        begins, ends, _start, _end = self._legs[max(0, bisect_right(self._begins, t) - 1)]
        return begins <= t < ends and not any(event.during(t) for event in self._occupies)

    def tilt(self, t: float) -> tuple[float, bool]:
        """The pole's angle off the plumb line in degrees, and whether its sensor is aligned."""
        for event in self._tilts:
            if event.during(t):
                return event.angle_deg, event.aligned
        if self.walking(t):
            return 6.0 + 4.0 * math.sin(t * 3.1) + math.sin(t * 0.7), True
        return 0.9 + 0.5 * math.sin(t * 0.9), True


_Leg = tuple[float, float, tuple[float, float], tuple[float, float]]


def _told(at: tuple[float, float], walks: list[Walk]) -> list[_Leg]:
    """The legs that the events name: from, until, place, place."""
    legs: list[_Leg] = [(0.0, 0.0, at, at)]
    for walk in walks:
        there = (walk.east_m, walk.north_m)
        legs.append((walk.at_s, walk.at_s + math.dist(at, there) / walk.speed_m_s, at, there))
        at = there
    return legs


def _work(start: tuple[float, float], until_s: float, rng: random.Random) -> list[_Leg]:
    legs: list[_Leg] = [(0.0, 0.0, start, start)]
    at, t = start, rng.uniform(*_STANDS_S)
    while t < until_s:
        reach, bearing = WALK_M_S * rng.uniform(*_WALKS_S), rng.uniform(0, math.tau)
        there = (at[0] + reach * math.sin(bearing), at[1] + reach * math.cos(bearing))
        if math.dist(there, start) > _WITHIN_M:
            there = (start[0] + reach * math.sin(bearing), start[1] + reach * math.cos(bearing))
        length = max(math.dist(at, there), 0.1)
        legs.append((t, t + length / WALK_M_S, at, there))
        at, t = there, t + length / WALK_M_S + rng.uniform(*_STANDS_S)
    return legs
