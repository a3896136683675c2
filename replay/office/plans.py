"""How the base stood on a day: the site file's plan, and what people told the posts of the day's set-up."""

from __future__ import annotations

import math
from typing import NamedTuple

import msgspec
from witnesspost.daemon.log.day import Day
from witnesspost.daemon.log.rows import EventRow
from witnesspost.rules.engine.set_up import set_up
from witnesspost.rules.facts import SetUp
from witnesspost.rules.site.model import Site


class Plan(NamedTuple):
    """The site that holds from a time on, UTC seconds; `told` is whether a person said so on the day."""

    from_utc: float
    site: Site
    told: bool


def plans_of(day: Day, site: Site) -> list[Plan]:
    """The plans in order, each with another base than the one before; the first is the site file's. Raises a LogError."""
    said: list[tuple[float, SetUp]] = []
    for log in day.files:
        for row in log.rows(EventRow, "WHERE kind = 'setup' AND input = 1 ORDER BY n"):
            utc = log.utc_at(row.t)
            if utc is not None:
                fact = msgspec.convert({"t": row.t, "stream": "", **msgspec.json.decode(row.detail)}, SetUp)
                said.append((utc.timestamp(), fact))
    plans = [Plan(-math.inf, site, False)]
    for at, fact in sorted(said, key=lambda one: one[0]):
        today = set_up(site, fact)
        if today.base != plans[-1].site.base:
            plans.append(Plan(at, today, True))
    return plans
