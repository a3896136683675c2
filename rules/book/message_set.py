"""message-set (check): observations arrive, but something else that a fixed solution needs does not.

When, for 60 s, of the project's station:
- `no-station-position`: neither 1005 nor 1006 in 60 s of observations (or in three of its usual intervals, where those are
  longer: a station position that comes every 30 s may lose one frame to a fade);
- `station-position-rare`: two intervals running of over 30 s (and a tenth, for the jitter of a base that means 30 s): a rover
  that comes new waits that long before it can start;
- `no-glonass-bias`: GLONASS observations without 1230 (in 180 s once it came: what it says does not change). 1033 does
  not replace it: it only names the base's receiver, and a rover that does not keep that receiver's biases in a table of its
  own cannot fix GLONASS. Evidence says if 1033 was there;
- `single-frequency`: no constellation with two carrier bands.

Raises nothing while `corrections-stopped` or `wrong-channel` stands; the watch begins anew after them, and what stood
before goes on standing until it is over.
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
_USUAL_INTERVALS = 3


class MessageSetFigures(Delays, kw_only=True):
    """`on_delay_s` is how long a message may be missing, `bias_s` the biases once they came; `rare_s` (and a tenth) is how far
    apart station positions may be."""

    on_delay_s: float = 60.0
    off_delay_s: float = 3.0
    rare_s: float = 30.0
    bias_s: float = 180.0


class MessageSet(Rule[MessageSetFigures]):
    """See the module."""

    name = "message-set"
    severity = "check"
    sees = (Epoch, Station, Bias, Antenna)
    causes = {
        "no-station-position": Advice(
            "The base sends satellites but not its own position (1005 or 1006): no rover can fix.",
            (
                "Base: switch on message 1005 or 1006, every 10 s.",
                "Base: has a coordinate been entered, or is it still averaging?",
            ),
        ),
        "station-position-rare": Advice(
            "The base sends its position only every {interval_s} s: a rover that joins waits that long.",
            ("Base: send message 1005 or 1006 every 10 s.",),
        ),
        "no-glonass-bias": Advice(
            "The base sends GLONASS but not its biases (1230): rovers of another make cannot fix GLONASS.",
            (
                "Base: switch on message 1230, every 10 s.",
                "Base and rover of one make, and it fixes well? Then switch this rule off in the site file.",
                "Or switch GLONASS off at the rover.",
            ),
        ),
        "single-frequency": Advice(
            "The base sends one frequency only: fixing takes many minutes and may be wrong.",
            (
                "Base: are L2 or L5 switched on for output, and in its licence?",
                "Base: a message set with all signals (MSM4 or MSM7), not 1001 or 1003?",
                "Base's antenna one for all bands?",
            ),
        ),
    }
    Figures = MessageSetFigures

    def begin(self) -> None:
        self._lines: dict[str, _Line] = {}

    def see(self, fact: Fact) -> None:
        if not isinstance(fact, (Epoch, Station, Bias, Antenna)) or not self.scene.is_ours(fact.station_id):
            return
        line = self._lines.get(fact.stream)
        if line is None:
            line = self._lines[fact.stream] = _Line()
        if isinstance(fact, Epoch):
            line.observations(fact)
            line.silent_s = max(5.0, 3.0 * (self.scene.interval_s(fact.stream) or 0.0))
            self.quiet_until = min(self.quiet_until, fact.t + self.figures.on_delay_s)
            return
        self.quiet_until = 0.0
        if isinstance(fact, Station):
            line.position.came(fact.t)
        elif isinstance(fact, Bias):
            line.bias.came(fact.t)
        elif fact.message == RECEIVER_AND_ANTENNA:
            line.receiver = fact.receiver

    def judge(self, t: float) -> Iterable[Finding]:
        explained = not self.scene.standing.isdisjoint(_EXPLAINED_BY)
        self.quiet_until = 0.0 if explained else math.inf  # while that stands, each epoch's watch is undone here
        for stream, line in self._lines.items():
            if explained:
                line.since = None
            self.quiet_until = min(self.quiet_until, line.complete_until(self.figures))
            if line.decides(t, self.figures.on_delay_s):
                line.found = tuple(self._missing(t, stream, line))
            elif self.name not in self.scene.standing:
                continue
            # What stands goes on standing until a new watch has lasted: an interruption mends no base.
            yield from line.found

    def _missing(self, t: float, stream: str, line: _Line) -> Iterator[Finding]:
        for cause, since, allowed_s in line.awaited(self.figures):
            if t - since >= allowed_s:
                evidence = {"receiver": line.receiver} if cause == "no-glonass-bias" else {}
                yield self._finding(cause, t, stream, since, evidence)
            elif cause == "no-station-position" and line.is_position_rare(self.figures):
                assert line.since is not None
                interval_s = round(line.position.gaps[-1], 1)
                yield self._finding("station-position-rare", t, stream, line.since, {"interval_s": interval_s})

    def _finding(self, cause: str, t: float, stream: str, since: float, evidence: dict[str, Any]) -> Finding:
        line = self._lines[stream]
        assert line.since is not None
        seen = {
            "observations_s": round(t - line.since, 1),
            "station_id": line.last.station_id if line.last is not None else None,
        }
        return Finding(causes=[Cause(cause=cause)], stream=stream, key=cause, since=since, evidence=seen | evidence)


class _Message:
    """When a message came, and how far apart the last ones were."""

    def __init__(self) -> None:
        self.last: float | None = None
        self.gaps: list[float] = []
        self.patience_s = 0.0

    def came(self, t: float) -> None:
        if self.last is not None and t > self.last:
            self.gaps.append(t - self.last)
            del self.gaps[:-5]
            self.patience_s = _USUAL_INTERVALS * min(self.gaps) if len(self.gaps) > 1 else 0.0
        self.last = t

    def forget(self) -> None:
        """What came before a pause says nothing of how far apart it comes."""
        self.gaps.clear()
        self.patience_s = 0.0

    def missing_since(self, since: float) -> float:
        return max(since, self.last) if self.last is not None else since

    def allowed_s(self, allowed_s: float) -> float:
        """How long it may be missing: at least three of its usual intervals, once they are known."""
        return max(allowed_s, self.patience_s)

    def rare(self, limit_s: float, since: float) -> bool:
        """True if the last two intervals, both within the watch, were over the limit."""
        two = self.gaps[-2:]
        return len(two) == 2 and min(two) > limit_s and self.last is not None and self.last - sum(two) >= since - limit_s


class _Line:
    """One line of the project's station: since when observations run without a break, and what came with them."""

    def __init__(self) -> None:
        self.since: float | None = None
        self.last: Epoch | None = None
        self.silent_s = 5.0
        self.glonass_since: float | None = None
        self.single_since: float | None = None
        self.receiver: str | None = None
        self.found: tuple[Finding, ...] = ()
        self.position = _Message()
        self.bias = _Message()

    def awaited(self, figures: MessageSetFigures) -> Iterator[tuple[str, float, float]]:
        """What ought to come: the cause if it does not, since when it is missing, and for how long it may be."""
        since, on_delay_s = self.since, figures.on_delay_s
        if since is None:
            return
        yield "no-station-position", self.position.missing_since(since), self.position.allowed_s(on_delay_s)
        if self.glonass_since is not None:
            allowed_s = self.bias.allowed_s(on_delay_s if self.bias.last is None else figures.bias_s)
            yield "no-glonass-bias", self.bias.missing_since(max(since, self.glonass_since)), allowed_s
        if self.single_since is not None:
            yield "single-frequency", max(since, self.single_since), on_delay_s

    def is_position_rare(self, figures: MessageSetFigures) -> bool:
        return self.since is not None and self.position.rare(figures.rare_s * 1.1, self.since)

    def complete_until(self, figures: MessageSetFigures) -> float:
        """Until when nothing can be missing, if nothing more comes than observations as before."""
        if self.is_position_rare(figures):
            return 0.0
        return min((since + allowed_s - 1e-3 for _, since, allowed_s in self.awaited(figures)), default=math.inf)

    def decides(self, t: float, watch_s: float) -> bool:
        """True while observations run, and have run long enough to miss something."""
        if self.since is None or self.last is None:
            return False
        return t - self.since >= watch_s and t - self.last.t <= self.silent_s

    def observations(self, epoch: Epoch) -> None:
        if self.since is None or (self.last is not None and epoch.t - self.last.t > self.silent_s):
            self.since, self.glonass_since, self.single_since = epoch.t, None, None
            self.position.forget()
            self.bias.forget()
        self.last = epoch
        if "R" not in epoch.systems:
            self.glonass_since = None
        elif self.glonass_since is None:
            self.glonass_since = epoch.t
        if not _single_frequency(epoch):
            self.single_since = None
        elif self.single_since is None:
            self.single_since = epoch.t


def _single_frequency(epoch: Epoch) -> bool:
    """By the carrier bands; where they are not known, one signal a satellite is one frequency."""
    if epoch.frequencies is not None:
        return epoch.frequencies == 1
    return 0 < epoch.cells <= epoch.satellites
