"""message-set (check): observations arrive, but something else that a fixed solution needs does not.

When, of the project's station, and of observations that run without a break:
- `no-station-position`: neither 1005 nor 1006 in 150 s, but for a rover that says that it is fixed: it has the position by
  some way (a maker's own message, a memory);
- `station-position-rare`: it comes, with two intervals running of over 30 s (and a tenth, for the jitter of a base that means
  30 s): a rover that comes new waits that long before it can start. One alert with the one above, and over only when the
  position has come twice within 30 s: a base that sends it every two minutes, or every four, is told once;
- `no-glonass-bias`: for 60 s GLONASS without 1230 (180 s once it came: what it says does not change). 1033 does not
  replace it: it only names the base's receiver, and a rover that does not keep that receiver's biases in a table of its
  own cannot fix GLONASS. Evidence says if 1033 was there;
- `single-frequency`: for 60 s no constellation with two carrier bands.

The last two are a note where the rover says that it is fixed all the same.

Raises nothing while `corrections-stopped` or `wrong-channel` is open; the watch begins anew after them, and what was open
before stays open until it is over.
Source: RTCM 10403.3 for the messages (from memory); the figures are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Any

from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.facts import Antenna, Bias, Epoch, Fact, Station
from witnesspost.rules.gnss import RECEIVER_AND_ANTENNA

_EXPLAINED_BY = {"corrections-stopped", "wrong-channel"}
_USUAL_INTERVALS = 3  # a message that comes seldom may be lost twice running (common practice, no source)
_JITTER = 1.1  # so much longer than it means may a base's interval be
_POSITION = "station-position"
_FIXED_ALL_THE_SAME = frozenset({"no-glonass-bias", "single-frequency"})
_SWITCH_ON_BIASES = "Base: switch on message 1230, every 10 s."
_THIS_ROVER_FIXES = {
    "rovers": "this rover is fixed all the same, one of another make may get no fix with GLONASS",
    "first": "Go on with this rover. Before one of another make is used, tell the office.",
    "second": _SWITCH_ON_BIASES,
}
_NO_ROVER_KNOWN = {
    "rovers": "rovers of another make may get no fix with GLONASS",
    "first": _SWITCH_ON_BIASES,
    "second": "Are base and rovers of one make, and do they fix well? Then go on, and tell the office.",
}


class MessageSetFigures(Delays, kw_only=True):
    """`on_delay_s` is how long a message may be missing, `position_s` how long the station's position, `bias_s` the biases
    once they came; `rare_s` (and a tenth) is how far apart station positions may be."""

    on_delay_s: float = 60.0
    off_delay_s: float = 3.0
    position_s: float = 150.0
    rare_s: float = 30.0
    bias_s: float = 180.0


class MessageSet(Rule[MessageSetFigures]):
    """Messages that are missing, or too rare, beside observations that come."""

    name = "message-set"
    severity = "check"
    sees = (Epoch, Station, Bias, Antenna)
    causes = {
        "no-station-position": Advice(
            "The base sends observations, but for {missing_s} s it has not sent its own position (1005 or 1006).",
            (
                "Base: switch on message 1005 or 1006, every 10 s.",
                "Base: has a coordinate been entered, or is it still averaging?",
            ),
        ),
        "station-position-rare": Advice(
            "The base sends its position only every {interval_s} s: a rover that starts waits that long.",
            ("Base: send message 1005 or 1006 every 10 s.",),
        ),
        "no-glonass-bias": Advice(
            "The base sends GLONASS but not its biases (1230): {rovers}.",
            (
                "{first}",
                "{second}",
                "Or switch GLONASS off at the rovers that get no fix.",
            ),
        ),
        "single-frequency": Advice(
            "The base sends one frequency only: a fix takes many minutes and may be wrong.",
            (
                "Base: is it set to a message set with all signals (MSM4 or MSM7), not to 1001 or 1002?",
                "Base: is L2 or L5 switched on for output, and enabled in the receiver?",
                "Is the base's GNSS antenna made for more than one band?",
            ),
        ),
    }
    Figures = MessageSetFigures

    def begin(self) -> None:
        self._lines: dict[str, _Line] = {}
        self._explained = False

    def see(self, fact: Fact) -> bool | None:
        if not isinstance(fact, (Epoch, Station, Bias, Antenna)) or not self.scene.is_ours(fact.station_id):
            return True
        self._heed_what_explains()
        line = self._lines.get(fact.stream)
        if line is None:
            line = self._lines[fact.stream] = _Line(self.figures.rare_s * _JITTER)
        if isinstance(fact, Epoch):
            return line.observations(fact, self.scene.limit_s(fact.stream))
        if isinstance(fact, Station):
            line.position.came(fact.t, line.since)
        elif isinstance(fact, Bias):
            line.bias.came(fact.t)
        elif fact.message == RECEIVER_AND_ANTENNA:
            line.receiver = fact.receiver
        return None

    def due(self) -> float:
        """When the first message will have been missing for too long, if only observations come as before."""
        if self._is_explained():
            return math.inf
        if self._explained:
            return 0.0  # that is over: the watch begins anew
        return min((line.complete_until(self.figures) for line in self._lines.values()), default=math.inf)

    def judge(self, t: float) -> Iterable[Finding]:
        self._heed_what_explains()
        for stream, line in self._lines.items():
            if line.runs(t):
                line.found = tuple(self._missing(t, stream, line))
            elif self.name not in self.scene.active_rules:
                continue
            # What is open stays open until a new watch has lasted: an interruption mends no base.
            yield from line.found

    def _is_explained(self) -> bool:
        return not self.scene.active_rules.isdisjoint(_EXPLAINED_BY)

    def _heed_what_explains(self) -> None:
        """While it stands, and when it is over, the watch begins anew."""
        explained = self._is_explained()
        if explained or self._explained:
            for line in self._lines.values():
                line.since = None
        self._explained = explained

    def _missing(self, t: float, stream: str, line: _Line) -> Iterator[Finding]:
        assert line.since is not None
        position, watched = line.position, t - line.since >= self.figures.on_delay_s
        missing_s = t - position.missing_since(line.since)
        if not position.told and (missing_s >= self.figures.position_s or position.is_rare()):
            position.told = position.comes_seldom(missing_s) or not self.scene.corrected(t)
        if position.told:
            cause = "station-position-rare" if position.comes_seldom(missing_s) else "no-station-position"
            interval_s = round(max(missing_s, position.interval_s or 0.0))
            how_long = {"missing_s": interval_s, "interval_s": interval_s}
            yield self._finding(_POSITION, cause, t, line, line.since, stream, how_long)
        for cause, since, allowed_s in line.awaited(self.figures):
            if watched and t - since >= allowed_s:
                evidence = {"receiver": line.receiver} if cause == "no-glonass-bias" else {}
                yield self._finding(cause, cause, t, line, since, stream, evidence)
            elif not watched:
                yield from (finding for finding in line.found if finding.key == cause and self.name in self.scene.active_rules)

    def _finding(
        self, key: str, cause: str, t: float, line: _Line, since: float, stream: str, evidence: dict[str, Any]
    ) -> Finding:
        assert line.since is not None
        seen = {
            "observations_s": round(t - line.since, 1),
            "station_id": line.last.station_id if line.last is not None else None,
        }
        # A rover that has been fixed all the same shows that its crew works so: when the fix goes, this is not why.
        if cause in _FIXED_ALL_THE_SAME and self.scene.corrected(t):
            line.was_fixed.add(cause)
        fixed = cause in line.was_fixed
        return Finding(
            causes=[Cause(cause=cause)],
            stream=stream,
            key=key,
            since=since,
            severity="note" if fixed else None,
            evidence=seen | evidence,
            words=(_THIS_ROVER_FIXES if fixed else _NO_ROVER_KNOWN) if cause == "no-glonass-bias" else {},
        )


class _Message:
    """When a message came, and how far apart the last ones were."""

    def __init__(self) -> None:
        self.last: float | None = None
        self.gaps: list[float] = []

    def came(self, t: float) -> None:
        if self.last is not None and t > self.last:
            self.gaps.append(t - self.last)
            del self.gaps[:-5]
        self.last = t

    def missing_since(self, since: float) -> float:
        return max(since, self.last) if self.last is not None else since

    def allowed_s(self, allowed_s: float) -> float:
        """How long it may be missing: at least three of its usual intervals, once they are known."""
        return max(allowed_s, _USUAL_INTERVALS * min(self.gaps)) if len(self.gaps) > 1 else allowed_s


class _Position:
    """The station's position and how far apart it comes; `interval_s` is the last such, of several watches.

    `told` is true from when it is missing or rare until it has come twice within the limit; one that came often before, and
    was missing, need come but once.
    """

    def __init__(self, limit_s: float) -> None:
        self.told = False
        self.interval_s: float | None = None
        self._limit_s = limit_s
        self._last: float | None = None
        self._gaps: list[float] = []  # the last two of this watch
        self._seldom = False

    def begin(self) -> None:
        """A watch begins."""
        self._gaps.clear()

    def came(self, t: float, since: float | None) -> None:
        """It came at `t`, in a watch since `since`; the first one's interval is at least as long as the watch."""
        if since is not None:
            of_this_watch = self._last is not None and self._last >= since
            gap = t - self.missing_since(since)
            if of_this_watch or gap > self._limit_s:
                came_often = self.interval_s is not None and self.interval_s <= self._limit_s
                self._gaps = [*self._gaps[-1:], gap]
                self.interval_s = gap
                self.told = self.told and gap > self._limit_s and not came_often
                self._seldom = self._seldom and self.told
        self._last = t

    def missing_since(self, since: float) -> float:
        return max(since, self._last) if self._last is not None else since

    def comes_seldom(self, missing_s: float) -> bool:
        """True once the base is known to send it, but seldom: not where it never came, came often and no more, or just came."""
        often = self.interval_s is not None and self.interval_s <= self._limit_s
        if self._last is not None and not often and (missing_s > self._limit_s or self.is_rare()):
            self._seldom = True
        return self._seldom

    def is_rare(self) -> bool:
        """True if the last two intervals were over the limit."""
        return len(self._gaps) == 2 and min(self._gaps) > self._limit_s


class _Line:
    """One line of the project's station: since when observations run without a break, and what came with them."""

    def __init__(self, position_limit_s: float) -> None:
        self.since: float | None = None
        self.last: Epoch | None = None
        self.glonass_since: float | None = None
        self.single_since: float | None = None
        self.was_fixed: set[str] = set()  # causes beside which the rover was fixed
        self.receiver: str | None = None
        self.found: tuple[Finding, ...] = ()
        self.position = _Position(position_limit_s)
        self.bias = _Message()
        self._limit_s = 0.0

    def awaited(self, figures: MessageSetFigures) -> Iterator[tuple[str, float, float]]:
        """What ought to come: the cause if it does not, since when it is missing, and for how long it may be."""
        since, on_delay_s = self.since, figures.on_delay_s
        if since is None:
            return
        if self.glonass_since is not None:
            allowed_s = self.bias.allowed_s(on_delay_s if self.bias.last is None else figures.bias_s)
            yield "no-glonass-bias", self.bias.missing_since(max(since, self.glonass_since)), allowed_s
        if self.single_since is not None:
            yield "single-frequency", max(since, self.single_since), on_delay_s

    def complete_until(self, figures: MessageSetFigures) -> float:
        """Until when nothing can be missing, if nothing more comes than observations as before."""
        if self.since is None:
            return math.inf
        if self.position.told or self.position.is_rare():
            return 0.0
        first = min((since + allowed_s for _, since, allowed_s in self.awaited(figures)), default=math.inf)
        return min(first, self.position.missing_since(self.since) + figures.position_s) - 1e-3

    def runs(self, t: float) -> bool:
        """True while observations run."""
        return self.since is not None and self.last is not None and t - self.last.t <= self._limit_s

    def observations(self, epoch: Epoch, limit_s: float) -> bool:
        """An epoch came; True where the watch goes on as before."""
        self._limit_s = limit_s
        before = self.since, self.glonass_since, self.single_since
        if self.since is None or (self.last is not None and epoch.t - self.last.t > limit_s):
            self.since, self.glonass_since, self.single_since = epoch.t, None, None
            self.position.begin()
            self.bias.gaps.clear()
        self.last = epoch
        if "R" not in epoch.systems:
            self.glonass_since = None
        elif self.glonass_since is None:
            self.glonass_since = epoch.t
        if not _single_frequency(epoch):
            self.single_since = None
        elif self.single_since is None:
            self.single_since = epoch.t
        return before == (self.since, self.glonass_since, self.single_since)


def _single_frequency(epoch: Epoch) -> bool:
    """By the carrier bands; where they are not known, one signal a satellite is one frequency."""
    if epoch.frequencies is not None:
        return epoch.frequencies == 1
    return 0 < epoch.cells <= epoch.satellites
