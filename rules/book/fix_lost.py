"""fix-lost (stop): the rover does not give centimetres.

When: the position's quality is not RTK fixed (GGA 4) for 3 s after it was; or corrections arrive for 120 s and it never is. A
receiver that says nothing for 5 s (or three of its usual intervals) has no position either, nor has one whose port has been
gone for 5 s. A loss that begins in an announced interruption counts as a fresh start afterwards, with its own 120 s.
Without the base's position nobody can fix: a rover that is alone has until half a minute after the first one, and where none
comes 155 s, since `message-set` says first what is missing.

A `check` while the rover moves; a `stop` from when it has stood still for 2 s, for somebody may be storing a point, and then
to the end. Where nothing says whether it moves it is a `stop`.

Causes name the state that it fell to: `float` (5), `differential` (2), `autonomous` (1, and 3, a single-point solution of the
precise service), `no-position` (everything else: none, estimated, manual, simulator, 9, silence).
Evidence has the time that the first fix took, how long the last one held, and how often it was lost in ten minutes.
Source: GGA's quality indicator of NMEA 0183 (several public pages agree); the figures are common practice, no source.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence

from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.facts import Epoch, Fact, Fix, Planned, Port, Station
from witnesspost.rules.gnss import FixQuality

_STATES: dict[int, str] = {
    FixQuality.AUTONOMOUS: "autonomous",
    FixQuality.DIFFERENTIAL: "differential",
    FixQuality.PPS: "autonomous",
    FixQuality.RTK_FLOAT: "float",
}
_SILENT_S = 5.0
_FIRST_SILENCE_S = 15.0


_DO_NOT_STORE = "Store no points until it is fixed again."
_CHECK_IN = "Once fixed, check in on a control point before you go on."


class FixLostFigures(Delays, kw_only=True):
    """`never_fixed_s` is how long corrections may arrive without a first fix; without a position of the base `unplaced_s`,
    and then `placed_s` from its first one on.
    """

    on_delay_s: float = 3.0
    off_delay_s: float = 3.0
    never_fixed_s: float = 120.0
    unplaced_s: float = 155.0
    placed_s: float = 30.0


class FixLost(Rule[FixLostFigures]):
    """Follows the quality of the rover's positions, and the times at which it was lost and won."""

    name = "fix-lost"
    severity = "stop"
    roles = ("rover",)
    sees = (Fix, Epoch, Station, Planned, Port)
    can_wait = True
    causes = {
        "float": Advice(
            "{happened}.",
            (
                _DO_NOT_STORE,
                "Is the age of corrections ({age}) over 5 s? Then look at the radio.",
                "Stand still for a minute. If there is no fix then, initialise anew in the receiver.",
                "Step into the open: trees and walls cost satellites ({satellites} now).",
                _CHECK_IN,
            ),
        ),
        "differential": Advice(
            "{happened}.",
            (
                _DO_NOT_STORE,
                "Receiver: is it set to RTK from our base, or does it use satellite corrections (SBAS)?",
                "Are corrections coming in (radio light blinking, age {age})?",
                "Step into the open and stand still for a minute.",
                _CHECK_IN,
            ),
        ),
        "autonomous": Advice(
            "{happened}.",
            (
                _DO_NOT_STORE,
                "Step into the open where the receiver uses fewer than six satellites ({satellites} now).",
                "Are corrections coming in (radio light at the rover blinking)?",
                "Is the cable (or the pairing) between radio and receiver still connected?",
                "Receiver: is the input on that port set to RTCM 3?",
                _CHECK_IN,
            ),
        ),
        "no-position": Advice(
            "{happened}.",
            (
                _DO_NOT_STORE,
                "{look}",
                "Is the cable from the receiver to the post still plugged in{its_port}?",
                "Is the sky open, and the GNSS antenna's plug tight?",
                _CHECK_IN,
            ),
        ),
    }
    Figures = FixLostFigures

    def begin(self) -> None:
        self._last: Fix | None = None
        self._last_fixed: Fix | None = None
        self._fixed_since: float | None = None
        self._time_to_fix_s: float | None = None
        self._falls: deque[float] = deque(maxlen=100)
        self._interval_s: float | None = None  # usual time between positions
        self._was_fixed = False
        self._lost_since: float | None = None
        self._fresh_from = 0.0
        self._arriving_since: float | None = None
        self._last_epoch_t: float | None = None
        self._placed_t: float | None = None  # the base's first position
        self._planned_until: float | None = None
        self._port_lost_t: dict[str, float] = {}
        self._stood = False  # since it was lost

    def see(self, fact: Fact) -> bool | None:
        if isinstance(fact, Fix):
            return self.see_positions((fact,))
        if isinstance(fact, Epoch):
            if self.scene.is_ours(fact.station_id):
                self._epoch(fact)
            return self._lost_since is None
        if isinstance(fact, Station):
            if self._placed_t is None and self.scene.is_ours(fact.station_id):
                self._placed_t = fact.t
        elif isinstance(fact, Planned):
            self._planned_until = fact.t + fact.for_s
        elif isinstance(fact, Port):
            self._port_lost_t.pop(fact.stream, None)
            if fact.state == "lost" and fact.stream in self.scene.position_streams:
                self._port_lost_t[fact.stream] = fact.t
        return None

    def see_positions(self, fixes: Sequence[Fix]) -> bool | None:
        """All of one quality: the first may win or lose the fix, the others tell how often they come."""
        # Its silence counts from later on, where it is as long as before.
        usual_s, last = self._interval_s, self._last
        as_before = self._lost_since is None and usual_s is not None and 3.0 * usual_s <= _SILENT_S
        first = fixes[0]
        if last is not None:
            gap_s = min(first.t - last.t, 10.0)
            usual_s = gap_s if usual_s is None else usual_s + 0.2 * (gap_s - usual_s)
        if usual_s is not None:
            before_t = first.t
            for fix in fixes[1:]:
                t = fix.t
                usual_s += 0.2 * (t - before_t - usual_s)
                before_t = t
        self._interval_s, self._last = usual_s, fixes[-1]
        if first.quality == FixQuality.RTK_FIXED:
            self._fixed(first)
            self._last_fixed = fixes[-1]
        elif self._lost_since is None:
            self._lost(first.t)
        return as_before and self._lost_since is None

    def due(self) -> float:
        """Always once it is lost; before that from when its silence counts as a loss, or the wait for a first fix is over."""
        if not self.scene.position_streams:
            return math.inf
        gone_t = min(self._port_lost_t.values(), default=math.inf) + _SILENT_S
        if self._lost_since is None:
            last_t = self._last.t if self._last is not None else 0.0
            return min(gone_t, last_t + self._silence_s())
        if self._was_fixed:
            return self._lost_since
        if self._arriving_since is None:
            return gone_t
        return min(gone_t, self._fixed_by_t(max(self._arriving_since, self._fresh_from)))

    def judge(self, t: float) -> Iterable[Finding]:
        if not self.scene.position_streams:
            return ()
        gone_since = self._gone_since(t)
        silent = gone_since is not None or self._silent(t)
        if silent and self._lost_since is None:
            self._lost(self._last.t if self._last is not None else 0.0)
        if self._lost_since is None:
            return ()
        if self._was_fixed:
            return (self._finding(t, silent, self._lost_since, self.figures.on_delay_s),)
        if gone_since is not None:
            return (self._finding(t, silent, gone_since, self.figures.on_delay_s),)
        if self._arriving_since is None or self._corrections_silent(t):
            return ()
        since = max(self._arriving_since, self._fresh_from)
        by_t = self._fixed_by_t(since)
        return (self._finding(t, silent, since, by_t - since),) if t >= by_t else ()

    def _fixed(self, fix: Fix) -> None:
        if self._lost_since is not None or self._fixed_since is None:
            self._fixed_since = fix.t
            if not self._was_fixed and self._arriving_since is not None:
                self._time_to_fix_s = fix.t - max(self._arriving_since, self._fresh_from)
        self._last_fixed, self._was_fixed, self._lost_since, self._stood = fix, True, None, False

    def _lost(self, t: float) -> None:
        self._lost_since = t
        if self._was_fixed:
            self._falls.append(t)
        if self._planned_until is not None and t <= self._planned_until:
            self._was_fixed, self._fresh_from = False, self._planned_until

    def _epoch(self, epoch: Epoch) -> None:
        if self._arriving_since is None or self._corrections_silent(epoch.t):
            self._arriving_since = epoch.t
        self._last_epoch_t = epoch.t

    def _fixed_by_t(self, since: float) -> float:
        """When the first fix is overdue, corrections having arrived since then."""
        by_t = since + self.figures.never_fixed_s
        if self._placed_t is None:
            alone = self._last is not None and _STATES.get(self._last.quality) == "autonomous"
            # A float or a differential position shows that the receiver knows where the base is.
            return max(by_t, since + self.figures.unplaced_s) if alone else by_t
        return max(by_t, min(self._placed_t, since + self.figures.unplaced_s) + self.figures.placed_s)

    def _corrections_silent(self, t: float) -> bool:
        limit_s = max((self.scene.limit_s(name) for name in self.scene.correction_streams), default=_SILENT_S)
        return self._last_epoch_t is None or t - self._last_epoch_t > limit_s

    def _gone_since(self, t: float) -> float | None:
        """Since when the receiver's port has been gone, once that is no short break."""
        gone_t = min(self._port_lost_t.values(), default=math.inf)
        return gone_t if t - gone_t >= _SILENT_S else None

    def _silent(self, t: float) -> bool:
        return t - (self._last.t if self._last is not None else 0.0) > self._silence_s()

    def _silence_s(self) -> float:
        """How long it may say nothing: where one position alone does not tell how often they come, as long as at the start."""
        return _FIRST_SILENCE_S if self._interval_s is None else max(_SILENT_S, 3.0 * self._interval_s)

    def _finding(self, t: float, silent: bool, since: float, on_delay_s: float) -> Finding:
        fix, fixed = self._last, self._last_fixed
        still_s = self.scene.still_s(t)
        self._stood = self._stood or still_s is None or still_s > 0.0
        quality = fix.quality if fix is not None and not silent else None
        state = _STATES.get(quality, "no-position") if quality is not None else "no-position"
        port = self.scene.ports.get(fix.stream if fix is not None else self.scene.position_streams[0])
        return Finding(
            causes=[Cause(cause=state)],
            stream=fix.stream if fix is not None else self.scene.position_streams[0],
            since=since,
            on_delay_s=on_delay_s,
            severity="stop" if self._stood else "check",
            evidence={
                "quality": quality,
                "lost_for_s": round(t - since, 1),
                "fixed_for_s": round(since - self._fixed_since, 1)
                if self._was_fixed and self._fixed_since is not None
                else None,
                "time_to_fix_s": round(self._time_to_fix_s, 1) if self._time_to_fix_s is not None else None,
                "losses_in_10_min": sum(fall > t - 600.0 for fall in self._falls),
                "age_s": fix.age_s if fix is not None else None,
                "age_when_fixed_s": fixed.age_s if fixed is not None else None,
                "satellites": fix.satellites if fix is not None else None,
                "hdop": fix.hdop if fix is not None else None,
                "station_id": fix.station_id if fix is not None else None,
                "port": port.state if port is not None else None,
            },
            words={
                "happened": _happened(self._was_fixed, silent, state, bool(self._port_lost_t), quality),
                "its_port": _ITS_PORT.get(port.state, "") if port is not None else "",
                "look": _WRONG_KIND if quality else _IS_IT_ON,
                "age": "not said" if fix is None or fix.age_s is None else f"{fix.age_s:g} s",
            },
        )


_ITS_PORT = {
    "open": " (its port is open)",
    "back": " (its port is open)",
    "lost": " (its port is gone)",
    "waiting": " (its port is not there yet)",
}
_IS_IT_ON = "Is the receiver on, and its battery charged?"
_WRONG_KIND = "Receiver: is it set to measure by RTK, not to a held or simulated position?"
_NOT_MEASURED: dict[int, str] = {
    FixQuality.ESTIMATED: "the receiver only estimates where it is (GGA quality 6)",
    FixQuality.MANUAL: "the receiver says a position that somebody gave it (GGA quality 7)",
    FixQuality.SIMULATED: "the receiver is in its simulator (GGA quality 8)",
}


def _happened(was_fixed: bool, silent: bool, state: str, port_gone: bool, quality: int | None) -> str:
    now = {
        "float": "the rover is floating, good to decimetres",
        "differential": "the rover is only differential, good to half a metre at best",
        "autonomous": "the rover is autonomous, good to metres",
        "no-position": "no position comes from the receiver" if silent else _no_position(quality),
    }[state]
    if silent and port_gone:
        now = "the receiver's port is gone"
    if was_fixed:
        return f"The fix is lost: {now}"
    return (
        "No position: the receiver's port is gone" if port_gone else f"Corrections arrive, but there has been no fix yet: {now}"
    )


def _no_position(quality: int | None) -> str:
    if not quality:
        return "the rover has no position"
    return _NOT_MEASURED.get(quality, f"the receiver says GGA quality {quality}, which no list has")
