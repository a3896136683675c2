"""corrections-late (check): corrections arrive, but too old to be worth a centimetre.

When: the rover's own age of corrections (GGA field 13), or the time from an epoch to the arrival of its last byte, is over
5 s for 5 s. Where epochs come slowly by design the age's bound is three of their usual intervals, as the age swings with
them. Arrival minus epoch time needs UTC from a receiver; GPS time = UTC + 18 s (since 2017-01-01, IERS Bulletin C).

Causes, told apart by how the delay behaves over the last minute of epochs:
- `slow-link`: the delay grows or wanders: bytes queue somewhere (air rate, modem, a busy channel);
- `old-epochs`: the delay is steady or came in one step, or the epochs' own time stands still: they were old when sent;
- `clock-not-set`: the epochs lie ahead, ten minutes or a leap-second count (18 s) away, or the rover calls them fresh: it is
  the time that is wrong.
Source: common practice, no source.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import deque
from collections.abc import Iterable
from itertools import pairwise

from witnesspost.rules.engine.bound import Bound
from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.facts import Epoch, Fact, Fix, Utc
from witnesspost.rules.gnss import GPS_MINUS_UTC_S, WEEK_S

_GPS_ORIGIN = dt.datetime(1980, 1, 6)
_STEADY_S = 0.5  # the jitter of a serial line and of the sentence that told the time
_FRESH_FIX_S = 5.0


_SLOW_LINK = (
    "Rover: is the age of corrections in the receiver over {limit} s too? Then wait before each point until it is under.",
    "Air rate at both radios as high as the distance allows, and the same?",
    "Anybody else on the channel? Listen with the base off.",
    "Base: fewer messages (MSM4 instead of MSM7), or an epoch every 2 s.",
    "Corrections through a phone or modem: look at its signal.",
)


class LateFigures(Delays, kw_only=True):
    """`limit_s` for both the age and the delay; `deadband_s` to come back under it; `window` epochs are looked back on."""

    on_delay_s: float = 5.0
    off_delay_s: float = 20.0
    limit_s: float = 5.0
    deadband_s: float = 1.0
    window: int = 60


class CorrectionsLate(Rule[LateFigures]):
    """See the module."""

    name = "corrections-late"
    severity = "check"
    sees = (Epoch, Fix)
    causes = {
        "slow-link": Advice(
            "{late}: the link is too slow or too busy.",
            _SLOW_LINK,
        ),
        "old-epochs": Advice(
            "{late}: they were already old when they were sent.",
            (
                "Base: does its clock run, does its screen show today's time and its satellites?",
                "Anything between base and radio that stores and forwards (a caster, a logger, a repeater)? Restart it.",
                "Base: restart its output of corrections.",
                *_SLOW_LINK[:1],
            ),
        ),
        "clock-not-set": Advice(
            "{late}: the two clocks do not agree, the link may be well.",
            (
                "Is the receiver's age of corrections small? Then go on, and tell the office that its clock is out.",
                "Base or receiver just switched on? Give it 15 minutes of sky: it learns the leap seconds.",
                "Base: has it got satellites and today's date?",
            ),
        ),
    }
    Figures = LateFigures

    def begin(self) -> None:
        self._lines: dict[str, _Line] = {}
        self._age = Bound(above=self.figures.limit_s, deadband=self.figures.deadband_s)
        self._fix: Fix | None = None

    def see(self, fact: Fact) -> None:
        if isinstance(fact, Fix):
            self._fix = fact
            self._age.put(fact.t, fact.age_s)
            if self._age.since is not None:
                self.quiet_until = 0.0
        elif isinstance(fact, Epoch) and self.scene.is_ours(fact.station_id):
            line = self._lines.get(fact.stream)
            if line is None:
                line = self._lines[fact.stream] = _Line(self.figures)
            line.put(fact, delay_s(fact, self.scene.utc))
            if line.is_late():
                self.quiet_until = 0.0
            self._age.move(max(self.figures.limit_s, 3.0 * self._slowest_interval_s()))

    def judge(self, t: float) -> Iterable[Finding]:
        fix = self._fix if self._fix is not None and t - self._fix.t <= _FRESH_FIX_S else None
        age_since = self._age.since if fix is not None else None
        self.quiet_until = math.inf
        for stream, line in self._lines.items():
            since = line.since(t, self.scene.interval_s(stream))
            if since is None:
                continue
            yield self._finding(stream, min(since, age_since) if age_since is not None else since, line, fix)
            return
        if age_since is not None and fix is not None:
            stream = next(iter(self._lines), fix.stream)
            yield self._finding(stream, age_since, self._lines.get(stream), fix)

    def _slowest_interval_s(self) -> float:
        return max((self.scene.interval_s(stream) or 0.0 for stream in self._lines), default=0.0)

    def _finding(self, stream: str, since: float, line: _Line | None, fix: Fix | None) -> Finding:
        age = fix.age_s if fix is not None else None
        delay = line.delays[-1] if line is not None and line.delays else None
        interval = self.scene.interval_s(stream)
        fresh = age is not None and age <= self.figures.limit_s
        first = line.cause(fresh) if line is not None else "slow-link"
        return Finding(
            causes=[Cause(cause=cause) for cause in (first, *(c for c in self.causes if c != first))],
            stream=stream,
            since=since,
            evidence={
                "age_s": age,
                "delay_s": round(delay, 2) if delay is not None else None,
                "interval_s": round(interval, 2) if interval is not None else None,
                "limit_s": self.figures.limit_s,
            },
            words={
                "late": _late_words(age, delay, self.figures.limit_s),
                "limit": f"{self.figures.limit_s:g}",
            },
        )


class _Line:
    """One line's epochs: how late each was, and whether their own time moves on."""

    def __init__(self, figures: LateFigures):
        self.delays: deque[float] = deque(maxlen=figures.window)
        self._limit = figures.limit_s
        self._late = Bound(above=figures.limit_s, deadband=figures.deadband_s)
        self._standing: deque[bool] = deque(maxlen=10)
        self._last: Epoch | None = None

    def put(self, epoch: Epoch, delay: float | None) -> None:
        if self._last is not None and epoch.time_s is not None and self._last.time_s is not None:
            moved = _within_half_a_week(epoch.time_s - self._last.time_s)
            self._standing.append(moved <= 0.0 and epoch.t > self._last.t + 0.05)
        self._last = epoch
        if delay is None:
            self.delays.clear()
            self._late.put(epoch.t, None)
        else:
            self.delays.append(delay)
            self._late.put(epoch.t, abs(delay))

    def is_late(self) -> bool:
        return self._late.since is not None

    def since(self, t: float, interval_s: float | None) -> float | None:
        """Since when epochs have been late; None too where the last one is so long ago that this is silence."""
        if self._late.since is None or self._last is None:
            return None
        return self._late.since if t - self._last.t <= max(self._limit, 3.0 * (interval_s or 0.0)) else None

    def cause(self, rover_calls_them_fresh: bool) -> str:
        delay = self.delays[-1] if self.delays else None
        if sum(self._standing) > len(self._standing) / 2:
            return "old-epochs"
        if delay is None or abs(delay) <= self._limit:
            return "slow-link"
        if rover_calls_them_fresh or delay < 0.0 or delay > 600.0:
            return "clock-not-set"
        if not _came_in_one_step(self.delays):
            return "slow-link"
        return "clock-not-set" if abs(delay - GPS_MINUS_UTC_S) < 1.5 else "old-epochs"


def delay_s(epoch: Epoch, utc: Utc | None) -> float | None:
    """Arrival minus epoch time in seconds, within half a week of 0; None without the epoch's time or UTC."""
    if utc is None or epoch.time_s is None:
        return None
    said = utc.utc.replace(tzinfo=None) - _GPS_ORIGIN
    now = said.days * 86_400.0 + said.seconds + said.microseconds / 1e6 + GPS_MINUS_UTC_S + (epoch.t - utc.t)
    return _within_half_a_week(now % WEEK_S - epoch.time_s)


def _within_half_a_week(seconds: float) -> float:
    return (seconds + WEEK_S / 2) % WEEK_S - WEEK_S / 2


def _came_in_one_step(delays: deque[float]) -> bool:
    """True if the delays are steady, or were until one step and have been since."""
    values = list(delays)
    if max(values) - min(values) < _STEADY_S:
        return True
    steps = [abs(after - before) for before, after in pairwise(values)]
    at = max(range(len(steps)), key=steps.__getitem__) + 1
    return all(max(part) - min(part) < _STEADY_S for part in (values[:at], values[at:]))


def _late_words(age: float | None, delay: float | None, limit: float) -> str:
    if delay is not None and delay < -limit:
        return f"The corrections' own time is {-delay:.0f} s ahead of the receiver's"
    if delay is not None and delay > limit:
        return f"Corrections arrive {delay:.0f} s after the moment they are for"
    return f"The rover is using corrections that are {age:.0f} s old" if age is not None else "Corrections are late"
