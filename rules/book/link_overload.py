"""link-overload (check): the corrections hardly fit through the radio.

When: the bytes of an epoch need over 80 % of the interval between epochs at the air rate of the radio tables (twice the
bits with forward error correction), for 10 s. The bytes are what really arrives: the observations of the project's
station, averaged over the last epochs, and its other messages spread over the interval. The interval is the
usual one by the epochs' own times, so that an epoch lost on the air does not make the load look lighter.

Cause: `too-many-messages`. Evidence says what would fit: the same satellites as MSM4 (RTCM 10403.3 section 3.5), or epochs
half as often.
Source: 80 % is common practice, no source: a radio needs the rest for its preambles and for turning round.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable

from witnesspost.rules.book.radio import air_link, highest_msm_kind, msm4_in_words, size_as_msm4
from witnesspost.rules.engine.bound import Bound
from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.facts import Epoch, Fact, Traffic
from witnesspost.rules.gnss import LEGACY_OBSERVATIONS, MSM

_OTHER_MESSAGES_OVER_S = 60.0
_OBSERVATIONS = frozenset(map(str, (*LEGACY_OBSERVATIONS, *MSM)))


class OverloadFigures(Delays, kw_only=True):
    """`limit_share` and `deadband` are shares of the interval, a mean of `epochs`; after `silent_s` nothing new is judged."""

    on_delay_s: float = 10.0
    off_delay_s: float = 20.0
    limit_share: float = 0.80
    deadband: float = 0.03
    epochs: int = 15
    silent_s: float = 10.0


class LinkOverload(Rule[OverloadFigures]):
    """The share of its time that the radio needs for one epoch and its part of the rarer messages."""

    name = "link-overload"
    severity = "check"
    sees: tuple[type[Fact], ...] = (Epoch, Traffic)
    causes = {
        "too-many-messages": Advice(
            "The corrections need {percent} % of the radio's time: {epoch_bytes} bytes every {interval_s} s.",
            (
                "{fits}.",
                "Base: send one message set only, and leave out what no rover uses.",
                "An epoch every 2 s is enough for a rover on foot.",
                "Or set a higher air rate at both radios, if the distance allows.",
            ),
        ),
    }
    Figures = OverloadFigures

    def begin(self) -> None:
        self._link = air_link(self.site)
        self._lines: dict[str, _Line] = {}
        if self._link is None:
            self.sees = ()

    def see(self, fact: Fact) -> bool | None:
        if isinstance(fact, Traffic):
            if fact.by_message and fact.stream in self.scene.correction_streams:
                self._line(fact.stream).others(fact)
            return True
        if isinstance(fact, Epoch) and self._link is not None:
            if not self.scene.is_ours(fact.station_id):
                return True
            line = self._line(fact.stream)
            line.epoch(fact)
            interval = self.scene.usual_interval_s(fact.stream)
            load = line.load_bytes(interval)
            line.share.put(fact.t, self._link.seconds(load) / interval if load and interval else None)
            return line.share.since is None
        return True

    def due(self) -> float:
        """At once while a line's share is over the limit; else an epoch must come first."""
        return 0.0 if any(line.share.since is not None for line in self._lines.values()) else math.inf

    def judge(self, t: float) -> Iterable[Finding]:
        for stream, line in self._lines.items():
            since = line.share.since
            if since is None or line.last is None:
                continue
            # A line that falls silent is no lighter: an open alert stays open, but none is raised.
            if t - line.last.t <= self._silent_after(stream) or self.name in self.scene.active_rules:
                yield self._finding(stream, since, line)

    def _line(self, stream: str) -> _Line:
        line = self._lines.get(stream)
        if line is None:
            line = self._lines[stream] = _Line(self.figures)
        return line

    def _silent_after(self, stream: str) -> float:
        return self.scene.limit_s(stream, self.figures.silent_s)

    def _finding(self, stream: str, since: float, line: _Line) -> Finding:
        assert self._link is not None
        assert line.last is not None
        interval = self.scene.usual_interval_s(stream) or 1.0
        load, epoch = line.load_bytes(interval), line.last
        as_msm4, kind = size_as_msm4(epoch), highest_msm_kind(epoch.messages)
        share = self._link.seconds(load) / interval
        half_as_often = f"Epochs every {2 * interval:.4g} s instead of every {interval:.4g} s"
        fits = f"{half_as_often}: {share / 2:.2f} of the interval"
        with_msm4 = None
        if as_msm4 is not None and kind is not None:
            with_msm4 = load - (epoch.size_bytes - as_msm4)
            fits = msm4_in_words(load, with_msm4, kind, self._link, interval)
        return Finding(
            causes=[Cause(cause="too-many-messages")],
            stream=stream,
            since=since,
            evidence={
                "epoch_bytes": round(load),
                "interval_s": round(interval, 2),
                "air_rate_bps": self._link.air_rate_bps,
                "forward_error_correction": self._link.forward_error_correction,
                "on_air_s": round(self._link.seconds(load), 3),
                "share": round(share, 3),
                "limit": self.figures.limit_share,
                "as_msm4_bytes": round(with_msm4) if with_msm4 is not None else None,
                "share_as_msm4": round(self._link.seconds(with_msm4) / interval, 3) if with_msm4 is not None else None,
                "satellites": epoch.satellites,
            },
            words={"fits": fits, "percent": f"{100 * share:.0f}"},
        )


class _Line:
    def __init__(self, figures: OverloadFigures):
        self.share = Bound(above=figures.limit_share, deadband=figures.deadband)
        self.last: Epoch | None = None
        self._sizes: deque[int] = deque(maxlen=figures.epochs)
        self._others: deque[tuple[float, int]] = deque()
        self._others_sum = 0

    def epoch(self, epoch: Epoch) -> None:
        before, self.last = self.last, epoch
        if before is not None and epoch.time_s is not None and before.time_s == epoch.time_s:
            self._sizes[-1] += epoch.size_bytes  # one epoch in two sets: its bytes share one interval
        else:
            self._sizes.append(epoch.size_bytes)

    def others(self, traffic: Traffic) -> None:
        by_message = traffic.by_message
        if not by_message.keys() <= _OBSERVATIONS:
            rarer = (name for name in by_message if name.isdecimal() and name not in _OBSERVATIONS)
            size = sum(by_message[name][1] for name in rarer)
            if size:
                self._others.append((traffic.t, size))
                self._others_sum += size
        while self._others and traffic.t - self._others[0][0] > _OTHER_MESSAGES_OVER_S:
            self._others_sum -= self._others.popleft()[1]

    def load_bytes(self, interval_s: float | None) -> float:
        """Bytes of one epoch with its share of the rarer messages."""
        if not self._sizes:
            return 0.0
        return sum(self._sizes) / len(self._sizes) + self._others_sum / _OTHER_MESSAGES_OVER_S * (interval_s or 1.0)
