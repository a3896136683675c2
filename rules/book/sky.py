"""sky (check): the receiver does not see enough, or not well enough. At the rover also of the base, by what it broadcasts.

When, for 30 s: fewer than 6 satellites; HDOP over 3; or the mean carrier-to-noise density (C/N0) 6 dB under its last half
hour, over all signals of a line or over all signals of one constellation. The baseline is each signal's own median of the
half hour, from ten minutes on; a receiver that starts gets two minutes to find its satellites.

Causes: `few-satellites`, `poor-geometry`, `signal-drop`. Evidence says which signals fell: all at once points at the antenna,
its cable or interference; one constellation, or one band, does not point at the cable. A signal of one to four satellites
is no mean: its satellites rise and set.
Source: six satellites, an HDOP of 3 and 6 dB are common practice, no source.
"""

from __future__ import annotations

import math
from bisect import bisect_left, insort
from collections import deque
from collections.abc import Iterable, Iterator, Sequence

from witnesspost.rules.engine.bound import Bound
from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.facts import Epoch, Fact, Fix, Planned, SignalLevels
from witnesspost.rules.gnss import CONSTELLATIONS, FixQuality

_NOT_OBSERVED = (FixQuality.MANUAL, FixQuality.SIMULATED)  # nothing is said about the sky
_FRESH_S = 5.0
_SAMPLE_FRESH_S = 75.0  # the decoder reads one constellation in ten seconds, in turn
_BIN_S = 10.0


_ANTENNA_CHECKS = (
    "Is something over or against the GNSS antenna (a hood, snow, a roof, a vehicle)?",
    "Are the GNSS antenna's plugs tight, dry and clean at both ends, and its cable not crushed?",
    "Is a transmitter close by (a radio, a mast, a jammer in a vehicle)? Get it farther away, and look again.",
)

_SIGNAL_DROP_CHECKS: dict[str, tuple[str, str, str]] = {
    "all": _ANTENNA_CHECKS,
    "constellation": (
        "Leave the antenna as it is: the other systems come in as before.",
        "Are HDOP and the number of satellites still good? Then go on, and look again in half an hour.",
        "If this lasts, switch that system off at base and rover, and tell the office.",
    ),
    "band": (
        "Is a transmitter close by (a radio, a mast, a jammer in a vehicle)? Get it farther away, and look again.",
        "At the rover: with another GNSS antenna, if there is one, does the band come back?",
        "A fix takes longer meanwhile: check in on a control point more often.",
    ),
    "some": (
        "Are trees, a wall or a vehicle on one side? A rover moves away from them; a base stays where it is.",
        _ANTENNA_CHECKS[2],
        _ANTENNA_CHECKS[1],
    ),
}
"""What to check first when C/N0 has fallen, by what the fallen signals have in common."""


class SkyFigures(Delays, kw_only=True):
    """Counts, dB and seconds. `settle_s` from a receiver's start (or planned stop) it may have few satellites."""

    on_delay_s: float = 30.0
    off_delay_s: float = 30.0
    satellites: int = 6
    hdop: float = 3.0
    drop_db: float = 6.0
    drop_deadband_db: float = 2.0
    baseline_s: float = 1800.0
    baseline_least_s: float = 600.0
    satellites_for_a_mean: int = 5
    settle_s: float = 120.0


class Sky(Rule[SkyFigures]):
    """Each source's satellites and HDOP, and each line's signals against their own last half hour."""

    name = "sky"
    severity = "check"
    sees = (Fix, Epoch, SignalLevels, Planned)
    can_wait = True
    causes = {
        "few-satellites": Advice(
            "The {whose} has only {satellites} satellites.",
            (
                "Is the sky open all round? A rover moves away from trees, walls and vehicles; a base stays where it is.",
                "Are all systems switched on (GPS, GLONASS, Galileo, BeiDou)?",
                *_ANTENNA_CHECKS[1:],
            ),
        ),
        "poor-geometry": Advice(
            "The {whose}'s satellites are badly spread over the sky: HDOP {hdop}, over {limit}.",
            (
                "Is half the sky hidden? A rover moves into the open; a base stays where it is.",
                "Are all systems switched on (GPS, GLONASS, Galileo, BeiDou)?",
                "Wait a few minutes: satellites move.",
            ),
        ),
        "signal-drop": Advice(
            "The {whose}'s satellite signals are {most_db} dB weaker than in the last half hour. {points_at}.",
            (
                "{check_1}",
                "{check_2}",
                "{check_3}",
                "At the base: do not move the tripod, and do not change the antenna's height.",
            ),
        ),
    }
    Figures = SkyFigures

    def begin(self) -> None:
        self._views: dict[tuple[type[Fact], str], _View] = {}
        self._levels: dict[str, _Levels] = {}

    def see(self, fact: Fact) -> bool | None:
        if isinstance(fact, Fix):
            return self.see_positions((fact,))
        if isinstance(fact, SignalLevels):
            levels = self._levels.get(fact.stream)
            if levels is None:
                levels = self._levels[fact.stream] = _Levels(self.figures)
            levels.put(fact)
            return not levels.past
        if isinstance(fact, Epoch):
            if not self.scene.is_ours(fact.station_id):
                return True
            view = self._views.get((Epoch, fact.stream)) or self._view(fact)
            view.put(fact.t, fact.satellites, None)
            return not view.is_past()
        if isinstance(fact, Planned):
            for view in self._views.values():
                view.settles_at = max(view.settles_at, fact.t + fact.for_s + self.figures.settle_s)
            for levels in self._levels.values():
                levels.begin_anew()
        return None

    def see_positions(self, fixes: Sequence[Fix]) -> bool | None:
        """They say the same of the sky, where they say anything."""
        first = fixes[0]
        if first.quality in _NOT_OBSERVED:
            return True
        view = self._views.get((Fix, first.stream)) or self._view(first)
        view.put(first.t, first.satellites, first.hdop if first.quality != FixQuality.NONE else None)
        view.seen_t = fixes[-1].t
        return not view.is_past()

    def judge(self, t: float) -> Iterable[Finding]:
        """One finding a cause and antenna, though several streams may tell of the same antenna."""
        findings: dict[str, Finding] = {}
        for finding in (*self._of_views(t), *self._of_levels(t)):
            findings.setdefault(finding.key, finding)
        return findings.values()

    def due(self) -> float:
        """From the moment a view or a line's levels are past their limit and settled; never while all are well."""
        for levels in self._levels.values():
            if levels.past:
                return 0.0
        first = math.inf
        for view in self._views.values():
            if view.few.since is not None or view.poor.since is not None:
                first = min(first, view.past_from())
        return first

    def _of_views(self, t: float) -> Iterator[Finding]:
        for view in self._views.values():
            if not view.is_past():
                continue
            if t - view.seen_t > max(_FRESH_S, 3.0 * (self.scene.usual_interval_s(view.stream) or 0.0)):
                continue
            if view.few.since is not None and view.counts_from(view.few.since) <= t:
                yield self._few(view, view.counts_from(view.few.since))
            if view.poor.since is not None and view.counts_from(view.poor.since) <= t:
                yield self._poor(view, view.counts_from(view.poor.since))

    def _of_levels(self, t: float) -> Iterator[Finding]:
        for stream, levels in self._levels.items():
            since = levels.fallen_since(t)
            if since is not None:
                yield self._drop(stream, levels, since)

    def _view(self, fact: Fix | Epoch) -> _View:
        view = self._views[type(fact), fact.stream] = _View(fact, self.figures)
        return view

    def _whose(self, stream: str, what: type[Fact] = SignalLevels) -> str:
        by_the_base = what is Epoch or stream not in self.scene.position_streams or self.site.post.role == "base"
        return "base" if by_the_base else "rover"

    def _few(self, view: _View, since: float) -> Finding:
        return Finding(
            causes=[Cause(cause="few-satellites")],
            stream=view.stream,
            key=f"few-satellites {self._whose(view.stream, view.what)}",
            since=since,
            evidence={"satellites": view.satellites, "limit": self.figures.satellites, "hdop": view.hdop},
            words={"whose": self._whose(view.stream, view.what)},
        )

    def _poor(self, view: _View, since: float) -> Finding:
        return Finding(
            causes=[Cause(cause="poor-geometry")],
            stream=view.stream,
            key=f"poor-geometry {self._whose(view.stream, view.what)}",
            since=since,
            evidence={"hdop": view.hdop, "limit": self.figures.hdop, "satellites": view.satellites},
            words={"whose": self._whose(view.stream, view.what)},
        )

    def _drop(self, stream: str, levels: _Levels, since: float) -> Finding:
        drops = levels.drops_since(since)
        mean = _mean(drops.values())
        fallen = sorted(signal for signal, (drop, _) in drops.items() if drop >= self.figures.drop_db / 2)
        pattern = _pattern(fallen, list(drops))
        return Finding(
            causes=[Cause(cause="signal-drop")],
            stream=stream,
            key=f"signal-drop {self._whose(stream)}",
            since=since,
            evidence={
                "drop_db": round(mean, 1) if mean is not None else None,
                "limit_db": self.figures.drop_db,
                "pattern": pattern,
                "fallen": " ".join(fallen),
                "steady": " ".join(sorted(set(drops) - set(fallen))),
                **{f"drop_{signal}_db": round(drop, 1) for signal, (drop, _) in sorted(drops.items())},
            },
            words={
                "whose": self._whose(stream),
                "points_at": _points_at(pattern, fallen),
                **{f"check_{number}": check for number, check in enumerate(_SIGNAL_DROP_CHECKS[pattern], 1)},
                "most_db": f"{max((drop for drop, _ in drops.values()), default=0.0):.0f}",
            },
        )


class _View:
    """How many satellites one source of facts has, and how well they stand."""

    def __init__(self, fact: Fix | Epoch, figures: SkyFigures):
        self.what, self.stream, self.seen_t = type(fact), fact.stream, fact.t
        self.satellites: int | None = None
        self.hdop: float | None = None
        self.few = Bound(below=figures.satellites)
        self.poor = Bound(above=figures.hdop)
        self.settles_at = fact.t + figures.settle_s

    def put(self, t: float, satellites: int | None, hdop: float | None) -> None:
        self.seen_t = t
        if satellites != self.satellites:  # the same again leaves a bound as it is
            self.satellites = satellites
            self.few.put(t, satellites)
        if hdop != self.hdop:
            self.hdop = hdop
            self.poor.put(t, hdop)
        if t < self.settles_at and satellites is not None and not self.is_past():
            self.settles_at = t

    def is_past(self) -> bool:
        return self.few.since is not None or self.poor.since is not None

    def counts_from(self, since: float) -> float:
        return max(since, self.settles_at)

    def past_from(self) -> float:
        """From when something of it counts as past its limit; infinity while nothing is."""
        return min((self.counts_from(b.since) for b in (self.few, self.poor) if b.since is not None), default=math.inf)


class _Signal:
    """One signal's samples: bins of ten seconds over the half hour, and the latest."""

    def __init__(self) -> None:
        self.bins: deque[tuple[float, float]] = deque()
        self._sorted: list[float] = []
        self.baseline: float | None = None
        self.level = 0.0
        self.satellites = 0
        self.seen_t = 0.0

    def put(self, t: float, level: float, satellites: int, figures: SkyFigures) -> None:
        self.seen_t, self.level, self.satellites = t, level, satellites
        bins = self.bins
        while bins and t - bins[0][0] > figures.baseline_s:
            del self._sorted[bisect_left(self._sorted, bins.popleft()[1])]
        long_enough = bool(bins) and t - bins[0][0] >= figures.baseline_least_s and len(bins) >= 8
        self.baseline = (self._sorted[len(bins) // 2] + self._sorted[(len(bins) - 1) // 2]) / 2 if long_enough else None

    def keep(self) -> None:
        """Let the latest sample count for the baseline of those after it."""
        if not self.bins or self.seen_t - self.bins[-1][0] >= _BIN_S:
            self.bins.append((self.seen_t, self.level))
            insort(self._sorted, self.level)


class _Levels:
    """One line's signals, and how far each is under its own half hour."""

    def __init__(self, figures: SkyFigures):
        self._figures = figures
        self._signals: dict[str, _Signal] = {}
        self._over = Bound(above=figures.drop_db, deadband=figures.drop_deadband_db)
        self._one: dict[str, Bound] = {}
        self._last = 0.0
        self.past = False  # the mean, or one constellation's, is down
        self.drops: dict[str, tuple[float, int]] = {}

    def put(self, fact: SignalLevels) -> None:
        t, figures = fact.t, self._figures
        self._last = t
        for name, (level, satellites) in fact.levels.items():
            signal = self._signals.get(name)
            if signal is None:
                signal = self._signals[name] = _Signal()
            signal.put(t, level, satellites, figures)
        self.drops = {
            name: (signal.baseline - signal.level, signal.satellites)
            for name, signal in self._signals.items()
            if signal.baseline is not None
            and t - signal.seen_t <= _SAMPLE_FRESH_S
            and signal.satellites >= figures.satellites_for_a_mean
        }
        for system in {name[:1] for name in fact.levels}:
            drop = _mean([drop for name, drop in self.drops.items() if name[:1] == system])
            self._one.setdefault(system, Bound(above=figures.drop_db, deadband=figures.drop_deadband_db)).put(t, drop)
        self._over.put(t, _mean(self.drops.values()))
        self.past = self._over.since is not None or any(bound.since is not None for bound in self._one.values())
        if not self.past:
            for name in fact.levels:
                self._signals[name].keep()

    def begin_anew(self) -> None:
        """After a planned stop the antenna may be another, or stand elsewhere: the half hour begins again."""
        self._signals.clear()
        self.drops = {}
        self._over.since = None
        self._one.clear()
        self.past = False

    def drops_since(self, since: float) -> dict[str, tuple[float, int]]:
        """How far each signal sampled since then is down in dB, and its satellites: the others cannot be known yet."""
        return {name: drop for name, drop in self.drops.items() if self._signals[name].seen_t >= since}

    def fallen_since(self, t: float) -> float | None:
        """Since when the mean, or one constellation's, has been down; None while they are not, or nothing comes."""
        if t - self._last > _SAMPLE_FRESH_S or not self.past:
            return None
        return min(bound.since for bound in (self._over, *self._one.values()) if bound.since is not None)


def _mean(drops: Iterable[tuple[float, int]]) -> float | None:
    weighted = count = 0.0
    for drop, satellites in drops:
        weighted += drop * satellites
        count += satellites
    return weighted / count if count else None


def _pattern(fallen: list[str], known: list[str]) -> str:
    """ "all", "constellation", "band" or "some": what the fallen signals have in common and the others lack."""
    if len(fallen) == len(known):
        return "all"
    systems = {signal[:1] for signal in fallen}
    if len(systems) == 1:
        return "constellation"
    bands = {signal[1:2] for signal in fallen}
    rinex = all(len(signal) == 3 for signal in known)  # GSV's own signal numbers are no bands
    if rinex and len(bands) == 1 and bands.isdisjoint({signal[1:2] for signal in known if signal not in fallen}):
        return "band"
    return "some"


def _points_at(pattern: str, fallen: list[str]) -> str:
    if pattern == "all":
        return "All signals at once: the antenna, its cable or plug, something over it, or interference"
    if pattern == "constellation":
        return f"Only {CONSTELLATIONS.get(fallen[0][:1], fallen[0][:1])}: not the antenna's cable; that system, or its band"
    if pattern == "band":
        return f"Only band {fallen[0][1:2]}, of several systems: interference in that band, or the antenna's amplifier"
    return f"Some signals ({', '.join(fallen)}): trees, a wall, or interference"
