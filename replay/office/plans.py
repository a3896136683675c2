"""How base and rover were set up on a day: the site file's plan, and what people told the posts."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable
from typing import NamedTuple

from witnesspost.daemon.log.day import Day, PostLogs
from witnesspost.daemon.log.reading import LogFile
from witnesspost.rules.engine.set_up import set_up
from witnesspost.rules.facts import SetUp
from witnesspost.rules.site.model import Site


class Plan(NamedTuple):
    """The site that holds from a time on, UTC seconds; `told` is whether a person said so on the day."""

    from_utc: float
    site: Site
    told: bool


class Poles:
    """How long the rover's pole was: the site file's length, and what people said on the day. Raises a LogError."""

    def __init__(self, rover: PostLogs, site: Site):
        said = _told(rover.files)
        self._from_utc = [utc for utc, _ in said]
        self._pole_m = [site.rover.pole_height_m, *(fact.pole_height_m for _, fact in said)]

    def at_m(self, utc: float) -> float:
        """Its length at a time, UTC seconds."""
        return self._pole_m[bisect_right(self._from_utc, utc)]


def plans_of(day: Day, site: Site) -> list[Plan]:
    """The plans in order, each with another base than the one before; the first is the site file's. Raises a LogError."""
    plans = [Plan(-math.inf, site, False)]
    for utc, fact in _told(day.files):
        today = set_up(site, fact)
        if today.base != plans[-1].site.base:
            plans.append(Plan(utc, today, True))
    return plans


def _told(files: Iterable[LogFile]) -> list[tuple[float, SetUp]]:
    found = []
    for log in files:
        for fact in log.told(SetUp):
            utc = log.utc_at(fact.t)
            if utc is not None:
                found.append((utc.timestamp(), fact))
    return sorted(found, key=lambda one: one[0])
