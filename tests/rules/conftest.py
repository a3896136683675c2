"""A bench for rules: the engine on a stepped clock, and makers of the facts of an ordinary day."""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Iterable
from typing import Any

import pytest
from witnesspost.rules.alert import Change
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.engine.engine import Engine
from witnesspost.rules.engine.rule import Finding, Rule
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import Epoch, Fact, Fix, Station, Utc
from witnesspost.rules.site.model import Site, figures_of
from witnesspost.rules.site.reading import site_from_table

START = dt.datetime(2026, 5, 12, 6, 0, 0, tzinfo=dt.UTC)
GPS_WEEK_SECONDS = (dt.datetime(2026, 5, 12, 6, 0, 18) - dt.datetime(2026, 5, 10)).total_seconds()  # a week starts on Sunday
STREAMS = [
    {"name": "corrections", "port": "/dev/ttyUSB0", "carries": ["corrections"]},
    {"name": "receiver", "port": "/dev/ttyUSB1", "carries": ["positions"]},
]


class Bench:
    """Rules at a site with an engine over them. `play` steps it on the pipeline's grid; `changes` is all that it said."""

    def __init__(self, site: Site, rules: Iterable[type[Rule] | Rule], scene: Scene | None = None):
        self.site = site
        self.scene = scene or Scene(site)
        self.rules = [
            rule if isinstance(rule, Rule) else rule(site, figures_of(site, rule.name, rule.Figures), self.scene)
            for rule in rules
        ]
        self.engine = Engine(list(self.rules), self.scene)
        self.changes: list[Change] = []
        self._step = 0

    @property
    def t(self) -> float:
        return self._step / 5.0

    def play(self, facts: Iterable[Fact], until: float) -> list[Change]:
        """Feed the facts in the order of `t`, judging every 0.2 s up to `until`; the changes of this call."""
        begun = len(self.changes)
        for fact in sorted(facts, key=lambda f: f.t):
            self._judge_to(fact.t - 1e-9)
            self.engine.see(fact)
        self._judge_to(until)
        return self.changes[begun:]

    def findings(self) -> list[Finding]:
        """What the rules say now, before any delay."""
        return [finding for rule in self.rules for finding in rule.judge(self.t)]

    def _judge_to(self, t: float) -> None:
        while (self._step + 1) / 5.0 <= t + 1e-9:
            self._step += 1
            self.changes += self.engine.judge(self.t)


class Day:
    """Facts of an ordinary day, each with what differs given by name."""

    def site(self, role: str = "rover", **tables: Any) -> Site:
        table = {"post": {"name": "kestrel", "role": role}, "stream": STREAMS, **tables}
        return site_from_table(table, figures=FIGURES)

    def bench(self, *rules: type[Rule] | Rule, role: str = "rover", **tables: Any) -> Bench:
        return Bench(self.site(role, **tables), rules)

    def epoch(self, t: float, late_s: float = 0.3, **other: Any) -> Epoch:
        """A 1 Hz MSM7 set of 32 satellites whose moment was `late_s` before `t`."""
        said: dict[str, Any] = {
            "t": t,
            "stream": "corrections",
            "station_id": 417,
            "time_s": round((GPS_WEEK_SECONDS + t - late_s) % 604_800, 3),
            "systems": "GREC",
            "satellites": 32,
            "cells": 64,
            "size_bytes": 900,
            "messages": (1077, 1087, 1097, 1127),
            "masks": ((10, 2, 20), (7, 2, 14), (8, 2, 16), (7, 2, 14)),
            "frequencies": 2,
        }
        return Epoch(**said | other)

    def fix(self, t: float, **other: Any) -> Fix:
        said: dict[str, Any] = {
            "t": t,
            "stream": "receiver",
            "time_s": (6 * 3600 + t) % 86_400,
            "quality": 4,
            "latitude": 39.1234567,
            "longitude": -104.9876543,
            "height_m": 1874.3,
            "separation_m": -17.2,
            "satellites": 24,
            "hdop": 0.7,
            "age_s": 1.2,
            "station_id": 417,
        }
        return Fix(**said | other)

    def station(self, t: float, **other: Any) -> Station:
        said: dict[str, Any] = {
            "t": t,
            "stream": "corrections",
            "station_id": 417,
            "message": 1006,
            "x_m": -1281255.0,
            "y_m": -4786930.0,
            "z_m": 4003500.0,
            "antenna_height_m": 1.843,
            "itrf_year": 0,
        }
        return Station(**said | other)

    def utc(self, t: float, **other: Any) -> Utc:
        said: dict[str, Any] = {"t": t, "stream": "receiver", "utc": START + dt.timedelta(seconds=t), "source": "RMC"}
        return Utc(**said | other)

    @staticmethod
    def every(interval_s: float, start: float, stop: float) -> list[float]:
        """Times from `start` up to but without `stop`."""
        count = max(0, round((stop - start) / interval_s))
        return [round(start + index * interval_s, 3) for index in range(count)]

    @staticmethod
    def said(changes: Iterable[Change]) -> list[tuple[float, str, str, str]]:
        """Changes as (t, change, rule, first cause)."""
        return [(round(c.t, 1), c.change, c.rule, c.cause) for c in changes]


@pytest.fixture(scope="session")
def day() -> Day:
    return Day()


@pytest.fixture
def count_calls():
    """How many Python functions a call enters: work that does not depend on the machine."""

    def count(call):
        entered = 0

        def note(frame, event, argument):
            nonlocal entered
            entered += event == "call"

        sys.setprofile(note)
        try:
            call()
        finally:
            sys.setprofile(None)
        return entered

    return count
