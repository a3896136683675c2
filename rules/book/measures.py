"""What the crew's own rules can measure: by name, with unit, meaning, and how to get it from a fact.

Names begin with what is measured: `fix` the position, `corrections` the observations of the project's station, `station`
its broadcast position, `tilt` the pole, `signals` carrier-to-noise densities, `post` the box itself.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from typing import Any, NamedTuple

from witnesspost.rules.book.corrections_late import delay_s
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import Epoch, Fact, Fix, Health, SignalLevels, Station, Tilt
from witnesspost.rules.naming import KEYS_ALIKE, did_you_mean
from witnesspost.rules.site.model import Site
from witnesspost.rules.site.tables import few, shown

Getter = Callable[[Any, Scene], float | None]


class Measure(NamedTuple):
    """One measurement. `get` reads it off a fact of `fact`'s kind (None: not known now); `concerns` says whether the fact
    says anything about it at all. After `stale_s` without such a fact it is not known. `explained_by` names the rules whose
    alerts make a crew's rule on it a consequence.
    """

    unit: str
    meaning: str
    fact: type[Fact]
    get: Getter
    stale_s: float = 30.0
    explained_by: tuple[str, ...] = ()
    concerns: Callable[[Any, Scene], bool] = lambda fact, scene: True


_NO_CORRECTIONS = ("corrections-stopped", "wrong-channel")
_NO_FIX = (*_NO_CORRECTIONS, "corrections-late", "fix-lost")


def _fix(unit: str, meaning: str, get: Getter, explained_by: tuple[str, ...] = ()) -> Measure:
    return Measure(unit, meaning, Fix, get, explained_by=explained_by)


def _epoch(unit: str, meaning: str, get: Getter) -> Measure:
    return Measure(
        unit,
        meaning,
        Epoch,
        get,
        stale_s=60.0,
        explained_by=_NO_CORRECTIONS,
        concerns=lambda epoch, scene: scene.is_ours(epoch.station_id),
    )


def _health(unit: str, meaning: str, get: Getter, field: str) -> Measure:
    return Measure(
        unit,
        meaning,
        Health,
        get,
        stale_s=math.inf,
        explained_by=("post-health",),
        concerns=lambda health, scene: getattr(health, field) is not None,
    )


def _signals(system: str, name: str) -> Measure:
    def get(fact: SignalLevels, scene: Scene) -> float | None:
        of_system = [level for signal, level in fact.levels.items() if signal.startswith(system)]
        satellites = sum(count for _, count in of_system)
        return sum(mean * count for mean, count in of_system) / satellites if satellites else None

    return Measure(
        "dB-Hz",
        f"mean carrier-to-noise density of {name}, over its signals and satellites",
        SignalLevels,
        get,
        stale_s=120.0,
        explained_by=("sky",),
        concerns=lambda fact, scene: any(signal.startswith(system) for signal in fact.levels),
    )


MEASURES: dict[str, Measure] = {
    "fix.quality": _fix("1", "GGA quality (1 autonomous, 2 differential, 4 fixed, 5 float)", lambda f, s: f.quality, _NO_FIX),
    "fix.satellites": _fix("1", "satellites used in the position", lambda f, s: f.satellites, ("sky",)),
    "fix.hdop": _fix("1", "horizontal dilution of precision", lambda f, s: f.hdop, ("sky",)),
    "fix.age_s": _fix("s", "age of the corrections that the rover uses", lambda f, s: f.age_s, _NO_FIX),
    "fix.station_id": _fix("1", "reference station that the rover uses", lambda f, s: f.station_id, _NO_FIX),
    "fix.height_m": _fix("m", "antenna height above the receiver's geoid", lambda f, s: f.height_m),
    "fix.separation_m": _fix("m", "geoid separation that the receiver reports", lambda f, s: f.separation_m),
    "fix.sigma_east_m": _fix("m", "standard deviation east (GST)", lambda f, s: f.sigma_east_m, _NO_FIX),
    "fix.sigma_north_m": _fix("m", "standard deviation north (GST)", lambda f, s: f.sigma_north_m, _NO_FIX),
    "fix.sigma_up_m": _fix("m", "standard deviation up (GST)", lambda f, s: f.sigma_up_m, _NO_FIX),
    "fix.sigma_horizontal_m": _fix(
        "m",
        "root sum of squares of the standard deviations east and north",
        lambda f, s: _hypot(f.sigma_east_m, f.sigma_north_m),
        _NO_FIX,
    ),
    "fix.distance_km": _fix("km", "straight distance from the rover to the base", lambda f, s: s.distance_km()),
    "corrections.satellites": _epoch("1", "satellites in one epoch of corrections", lambda e, s: e.satellites),
    "corrections.signals": _epoch("1", "satellites times their signals in one epoch", lambda e, s: e.cells),
    "corrections.frequencies": _epoch("1", "most carrier bands of any constellation", lambda e, s: e.frequencies),
    "corrections.size_bytes": _epoch("byte", "size of one epoch's observations", lambda e, s: e.size_bytes),
    "corrections.interval_s": _epoch("s", "usual time between epochs", lambda e, s: s.usual_interval_s(e.stream)),
    "corrections.delay_s": _epoch("s", "arrival minus epoch time", lambda e, s: delay_s(e, s.utc)),
    "station.antenna_height_m": Measure(
        "m",
        "antenna height in 1006",
        Station,
        lambda f, s: f.antenna_height_m,
        stale_s=math.inf,
        concerns=lambda f, s: f.antenna_height_m is not None and s.is_ours(f.station_id),
    ),
    "tilt.angle_deg": Measure(
        "°", "lean of the pole off plumb", Tilt, lambda f, s: f.angle_deg, 5.0, concerns=lambda f, s: f.angle_deg is not None
    ),
    "tilt.aligned": Measure(
        "1",
        "tilt sensor aligned (1 yes, 0 no)",
        Tilt,
        lambda f, s: float(f.aligned),
        5.0,
        ("tilt",),
        concerns=lambda f, s: f.aligned is not None,
    ),
    "signals.gps_dbhz": _signals("G", "GPS"),
    "signals.glonass_dbhz": _signals("R", "GLONASS"),
    "signals.galileo_dbhz": _signals("E", "Galileo"),
    "signals.beidou_dbhz": _signals("C", "BeiDou"),
    "signals.qzss_dbhz": _signals("J", "QZSS"),
    "post.disk_free_percent": _health(
        "%", "free room on the log's disk", lambda h, s: 100.0 * h.disk_free_fraction, "disk_free_fraction"
    ),
    "post.disk_left_h": _health("h", "time until the log's disk is full", lambda h, s: h.disk_left_h, "disk_left_h"),
    "post.temperature_c": _health("°C", "the board's temperature", lambda h, s: h.temperature_c, "temperature_c"),
    "post.lost_bytes": _health("byte", "bytes lost since the run began", lambda h, s: h.lost_bytes, "lost_bytes"),
    "post.restarts": _health("1", "starts of this post before this run", lambda h, s: h.restarts, "restarts"),
}


def measure_problems(site: Site, taken: Collection[str] = ()) -> list[str]:
    """What is wrong with the site's own rules, a line each, with the measurements nearest to an unknown one.

    `taken` are the names of the built-in rules, which an own rule cannot have.
    """
    problems: list[str] = []
    for own in site.own_rule:
        if own.name in taken:
            problems.append(f"{own.where}.name: {own.name!r} is a built-in rule; expected another name")
        if own.measure not in MEASURES:
            problems.append(f"{own.where}.measure: {shown(own.measure)} is not a measurement{_nearest(own.measure)}")
    return list(few(problems))


def _nearest(name: str) -> str:
    tails = {known.rpartition(".")[2]: known for known in MEASURES}
    near = did_you_mean(name, MEASURES, KEYS_ALIKE)
    return near or did_you_mean(tails.get(name.rpartition(".")[2], ""), MEASURES) or "; witnesspost check --measures lists them"


def _hypot(east: float | None, north: float | None) -> float | None:
    return math.hypot(east, north) if east is not None and north is not None else None
