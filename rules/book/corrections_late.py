"""corrections-late (check): corrections arrive, but too old to be worth a centimetre.

When: the rover's own age of corrections (GGA field 13), or the time from an epoch to the arrival of its last byte, is over the
limit for 5 s: 5 s, or three usual intervals where epochs come slowly by design, as the age swings with them; of a service's
corrections 15 s at least. Arrival minus epoch time needs UTC from a receiver; GPS time = UTC + 18 s (since 2017-01-01).

Causes, told apart by how the delay behaves over the last minute of epochs:
- `slow-link`: the delay grows or wanders: bytes queue somewhere (air rate, modem, a busy channel);
- `old-epochs`: the delay is steady or came in one step, or the epochs' own time does not move on: they were old when sent;
- `clock-not-set`: the epochs lie ahead, ten minutes or a leap-second count (18 s) away, or the rover calls them fresh: it is
  the time that is wrong;
- `old-at-rover`: the rover says so and nothing here shows it: what reaches this post is in time, or nothing does.
Where no receiver says the time, the rover's ages stand in for the delays.
Source: common practice, no source.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import deque
from collections.abc import Iterable, Sequence
from itertools import pairwise

from witnesspost.rules.engine.bound import Bound
from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.engine.stretch import FRESH_S
from witnesspost.rules.facts import Epoch, Fact, Fix, Utc
from witnesspost.rules.gnss import GPS_MINUS_UTC_S, WEEK_S

_GPS_ORIGIN = dt.datetime(1980, 1, 6, tzinfo=dt.UTC)
_STEADY_S = 0.5  # the jitter of a serial line and of the sentence that told the time
_FRESH_FIX_S = 5.0
_MUCH_OF_IT = 0.5  # of the limit: a delay of less does not make the age
_NO_LINK_S = 600.0  # no link holds bytes for so long
_LEAP_NEAR_S = 1.5


_WAIT = "At the rover: is the age of corrections over {limit} s? Then wait before each point until it is under."
_SLOW_LINK = (
    "Is the air rate the same at both radios, and as high as the distance allows?",
    "Does somebody else transmit on the channel? Base's transmitter off, then listen.",
    "Base: send fewer messages (MSM4 instead of MSM7), or an epoch every 2 s.",
    "Corrections through a phone or modem: check its signal.",
)
_OLD_EPOCHS = (
    "Base: does its screen show satellites and the right date and time, and does the clock run?",
    "Does anything between base and radio store and forward (a caster, a logger, a repeater)? Restart it.",
    "Base: restart its output of corrections.",
)


class LateFigures(Delays, kw_only=True):
    """`limit_s` for both the age and the delay; `deadband_s` to come back under it; `window` epochs are looked back on."""

    on_delay_s: float = 5.0
    off_delay_s: float = 20.0
    limit_s: float = 5.0
    deadband_s: float = 1.0
    window: int = 60


class CorrectionsLate(Rule[LateFigures]):
    """Corrections that are old, by the rover's word or by their own time, and where the time went."""

    name = "corrections-late"
    severity = "check"
    sees = (Epoch, Fix)
    causes = {
        "slow-link": Advice(
            "{late}, some later than others: bytes wait somewhere on the way.",
            (_WAIT, *_SLOW_LINK),
            ("Tell the crew: look at the age of corrections before each point.", *_SLOW_LINK[2:]),
        ),
        "old-epochs": Advice(
            "{late}: they are already old when they are sent.",
            (_WAIT, *_OLD_EPOCHS),
            ("Tell the crew: look at the age of corrections before each point.", *_OLD_EPOCHS),
        ),
        "clock-not-set": Advice(
            "{late}: the clocks of base and receiver do not agree; the link may be fine.",
            (
                "Does the rover show a small age of corrections? Then go on, and tell the office that a clock is wrong.",
                "Base or receiver just switched on? Give it 15 minutes under open sky: it must receive the leap seconds.",
                "Base: does it track satellites, and show today's date?",
            ),
        ),
        "old-at-rover": Advice(
            "{late}{here}.",
            (
                _WAIT,
                "Check the plugs and the cable (or the pairing) between the radio and the receiver.",
                "Does the receiver use the corrections of the line that this post watches? Look at its correction source.",
                "Corrections through a phone or modem: check its signal.",
            ),
        ),
    }
    Figures = LateFigures

    def begin(self) -> None:
        self._lines: dict[str, _Line] = {}
        self._limit_s = self.scene.age_limit_s(self.figures.limit_s)
        self._age = Bound(above=self._limit_s, deadband=self.figures.deadband_s)
        self._ages: deque[float] = deque(maxlen=self.figures.window)
        self._aged_t = -math.inf
        self._fix: Fix | None = None
        self.can_wait = self.figures.limit_s >= FRESH_S

    def see(self, fact: Fact) -> bool | None:
        if isinstance(fact, Fix):
            return self.see_positions((fact,))
        if isinstance(fact, Epoch) and self.scene.is_ours(fact.station_id):
            line = self._lines.get(fact.stream)
            if line is None:
                line = self._lines[fact.stream] = _Line(self._limit_s, self.figures)
            usual_s = self.scene.usual_interval_s(fact.stream)
            if usual_s != line.usual_s:
                line.usual_s = usual_s
                self._move(self.scene.age_limit_s(self.figures.limit_s))
            line.put(fact, delay_s(fact, self.scene.utc), usual_s is not None)
        return not self._is_late()

    def see_positions(self, fixes: Sequence[Fix]) -> bool | None:
        """What they say of the age of corrections."""
        age, aged_t = self._age, self._aged_t
        if age.since is not None or len(fixes) == 1:  # several are too young to pass the limit
            for fix in fixes:
                age.put(fix.t, fix.age_s)
        for fix in fixes:
            if fix.t - aged_t >= 1.0 - 1e-3 and fix.age_s is not None:
                aged_t = self._aged_t = fix.t
                self._ages.append(fix.age_s)
        self._fix = fixes[-1]
        return self._age.since is None

    def _move(self, limit_s: float) -> None:
        """Another limit: what is known is held against it."""
        if limit_s == self._limit_s:
            return
        self._limit_s = limit_s
        self._age.move(limit_s)
        if self._fix is not None:
            self._age.put(self._fix.t, self._fix.age_s)
        for line in self._lines.values():
            line.late.move(limit_s)

    def due(self) -> float:
        """At once while an age or an epoch is late; else one must come first."""
        return 0.0 if self._is_late() else math.inf

    def _is_late(self) -> bool:
        return self._age.since is not None or any(line.late.since is not None for line in self._lines.values())

    def judge(self, t: float) -> Iterable[Finding]:
        fix = self._fix if self._fix is not None and t - self._fix.t <= _FRESH_FIX_S else None
        # While one epoch alone has come, how far the age swings is not known.
        swings = all(self.scene.usual_interval_s(stream) is not None for stream in self._lines)
        age_since = self._age.since if fix is not None and swings else None
        for stream, line in self._lines.items():
            since = line.late.since
            if since is None or not self._is_heard(stream, t):  # what has not come for so long is missing, not late
                continue
            yield self._finding(stream, t, min(since, age_since) if age_since is not None else since, line, fix)
            return
        if age_since is not None and fix is not None:
            stream = next((stream for stream in self._lines if self._is_heard(stream, t)), fix.stream)
            yield self._finding(stream, t, age_since, self._lines.get(stream), fix)

    def _is_heard(self, stream: str, t: float) -> bool:
        return self.scene.silent_for(stream, t) <= self.scene.limit_s(stream, self.figures.limit_s)

    def _finding(self, stream: str, t: float, since: float, line: _Line | None, fix: Fix | None) -> Finding:
        age = fix.age_s if fix is not None else None
        delay = line.delays[-1] if line is not None and line.delays else None
        interval = self.scene.usual_interval_s(stream)
        # The rover calls them fresh where it uses one that came since they have been late, not the last before.
        fresh = age is not None and age <= self._limit_s and line is not None and age < t - (line.late.since or t)
        first = "old-at-rover" if line is None else self._cause(line, delay, fresh, interval or 0.0)
        return Finding(
            causes=[Cause(cause=cause) for cause in (first, *(c for c in self.causes if c != first))],
            stream=stream,
            since=since,
            evidence={
                "age_s": age,
                "delay_s": round(delay, 2) if delay is not None else None,
                "interval_s": round(interval, 2) if interval is not None else None,
                "limit_s": round(self._limit_s, 2),
            },
            words={
                "late": _late_words(age, delay, self._limit_s),
                "limit": f"{self._limit_s:g}",
                "here": "" if line is None else ", but what reaches this post arrives in time",
            },
        )

    def _cause(self, line: _Line, delay: float | None, fresh: bool, interval_s: float) -> str:
        if line.repeats_its_time():
            return "old-epochs"
        if delay is None:  # nobody says the time: the ages swing with the interval
            return "old-epochs" if _came_in_one_step(self._ages, _STEADY_S + interval_s) else "slow-link"
        if 0.0 <= delay <= self._limit_s:
            if delay <= _MUCH_OF_IT * self._limit_s:
                return "old-at-rover"
        elif delay < 0.0 or delay > _NO_LINK_S or fresh:
            return "clock-not-set"
        line.crept = line.crept or not _came_in_one_step(line.delays, _STEADY_S)
        if line.crept:
            return "slow-link"
        return "clock-not-set" if abs(delay - GPS_MINUS_UTC_S) < _LEAP_NEAR_S else "old-epochs"


class _Line:
    """One line's epochs: how late each was, and whether their own time moves on."""

    def __init__(self, limit_s: float, figures: LateFigures):
        self.delays: deque[float] = deque(maxlen=figures.window)
        self.late = Bound(above=limit_s, deadband=figures.deadband_s)
        self.crept = False  # by little and little, since it has been late: what is steady at last has not become another cause
        self.usual_s: float | None = None  # between its epochs, as the last one found it
        self._unmoved: deque[bool] = deque(maxlen=10)
        self._last: Epoch | None = None

    def put(self, epoch: Epoch, delay: float | None, how_often_is_known: bool) -> None:
        if self._last is not None and epoch.time_s is not None and self._last.time_s is not None:
            moved = _within_half_a_week(epoch.time_s - self._last.time_s)
            self._unmoved.append(moved <= 0.0 and epoch.t > self._last.t + 0.05)
        self._last = epoch
        if delay is None:
            self.delays.clear()
            self.late.put(epoch.t, None)
        else:
            self.delays.append(delay)
            self.late.put(epoch.t, abs(delay) if how_often_is_known else None)
        if self.late.since is None:
            self.crept = False

    def repeats_its_time(self) -> bool:
        """True if most of the last epochs said the time of the one before."""
        return sum(self._unmoved) > len(self._unmoved) / 2


def delay_s(epoch: Epoch, utc: Utc | None) -> float | None:
    """Arrival minus epoch time in seconds, within half a week of 0; None without the epoch's time or UTC."""
    if utc is None or epoch.time_s is None:
        return None
    said = utc.utc - _GPS_ORIGIN
    now = said.days * 86_400.0 + said.seconds + said.microseconds / 1e6 + GPS_MINUS_UTC_S + (epoch.t - utc.t)
    return _within_half_a_week(now % WEEK_S - epoch.time_s)


def _within_half_a_week(seconds: float) -> float:
    return (seconds + WEEK_S / 2) % WEEK_S - WEEK_S / 2


def _came_in_one_step(delays: deque[float], steady_s: float) -> bool:
    """True if the delays are steady, or were until one step and have been since."""
    values = list(delays)
    if max(values, default=0.0) - min(values, default=0.0) < steady_s:
        return True
    steps = [abs(after - before) for before, after in pairwise(values)]
    step = max(range(len(steps)), key=steps.__getitem__) + 1
    return all(max(part) - min(part) < steady_s for part in (values[:step], values[step:]))


def _late_words(age: float | None, delay: float | None, limit: float) -> str:
    if delay is not None and delay < -limit:
        return f"The corrections' own time is {-delay:.0f} s ahead of the receiver's"
    if delay is not None and delay > limit:
        return f"Corrections arrive {delay:.0f} s after the moment they are for"
    return f"The rover is using corrections that are {age:.0f} s old" if age is not None else "Corrections are late"
