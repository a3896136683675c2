"""(c) a day through all the rules: bytes in memory to alerts, as `witnesspost replay` plays them, without a log."""

from __future__ import annotations

from itertools import islice

from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.player import play

from tests.bench.row import Cost, Row, at_most, cost, resident_mib
from tests.bench.streams import records, site

_DAY_S = 86_400.0
_SHORT_S = 1800.0
_FIGURES = {"base": (11.0, "1 Hz base"), "rover": (24.0, "10 Hz rover")}
_REACHED = {"base": 24.0, "rover": 48.0}  # of half an hour, scaled to a day


def rows(short: bool) -> list[Row]:
    """The base's day and the rover's."""
    return [_day(name, _SHORT_S if short else _DAY_S) for name in _FIGURES]


def _day(name: str, duration_s: float) -> Row:
    """Invented a stretch at a time, of which only the playing is timed: a day of it is not held in memory."""
    limit, words = _FIGURES[name]
    pipeline = Pipeline(site(name))
    source = records(name, duration_s)
    cpu_s = wall_s = 0.0
    alerts = 0
    first: Cost | None = None
    began_t = 0.0
    while stretch := list(islice(source, 2_000)):
        found: list[object] = []
        taken = cost(lambda part=stretch, into=found: into.extend(play(pipeline, part)))  # type: ignore[misc]
        if first is None:  # PROJ's loading is in it, which a day has once
            first, began_t = taken, stretch[-1].t
        cpu_s, wall_s, alerts = cpu_s + taken.cpu_s, wall_s + taken.wall_s, alerts + len(found)
    assert first is not None
    scale = (_DAY_S - began_t) / (duration_s - began_t)
    cpu_s, wall_s = (one + (all_of_it - one) * scale for one, all_of_it in zip(first, (cpu_s, wall_s), strict=True))
    scaled = f", scaled from {duration_s / 3600:g} h" if scale > 1 else ""
    note = f" (by the wall {wall_s:.3g} s{scaled}; {alerts} alerts; {resident_mib():.0f} MiB with the bench itself)"
    return at_most("c", f"24 h of a {words} through the rules", limit, cpu_s, " s", note, reached=_REACHED[name])
