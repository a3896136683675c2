"""wrong-channel (stop): somebody else's base is on the line: good frames from a station that is not the project's.

When: for `on_delay_s`, with no pause longer than `pause_s` (or one and a half of that station's own intervals). Where the site
names no station ID, a second station on the same line. At a rover also when the receiver itself says that it is corrected by
another station, once it has used one of the project's in this run (`Scene.uses_another_station`). The numbers of the project's
other bases are its own. A service's stations, or a moving base's, change their number at any time: there nothing is judged.

A far neighbour's epoch now and then, over ten seconds apart, is a note while ours is heard beside it; once it goes on for
`on_delay_s` it is a stop as any other.

Causes: `another-base` (ours is not heard beside it), `two-bases` (both are). Source: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.facts import Fact, Fix, Traffic
from witnesspost.rules.site.model import Severity

_MOST_NAMED = 10  # stations, the loudest: a line of noise has thousands
_STRAY_S = 10.0  # a neighbour who is heard more seldom, beside ours, is far away: common practice, no source
_MANY = 100  # stations on a line: more than any honest one has


class ChannelFigures(Delays, kw_only=True):
    """Seconds."""

    on_delay_s: float = 3.0
    pause_s: float = 2.5


class _Heard:
    """One station on one line: since when without a long pause, the last time, the longest gap since, its own interval, and
    since when without any pause. After `pause_s` it is gone; `lasts` once its frames have gone on for the on-delay."""

    __slots__ = ("first", "frames", "gap_s", "interval_s", "last", "lasts", "pause_s", "runs_since")

    def __init__(self, t: float, interval_s: float, pause_s: float):
        self.first = self.last = self.runs_since = t
        self.frames = 0
        self.lasts = False
        self.gap_s = 0.0
        self.interval_s = interval_s
        self.pause_s = max(pause_s, 1.5 * interval_s)


class WrongChannel(Rule[ChannelFigures]):
    """A station that is not the project's, on a line or in the receiver's own words."""

    name = "wrong-channel"
    severity = "stop"
    sees = (Traffic, Fix)
    can_wait = True
    absence_explains = False
    causes = {
        "another-base": Advice(
            "Corrections come from station {other}{not_ours}.",
            (
                "Store no points: they may be tied to somebody else's base.",
                "Is our base on, and on the project's channel? A restart may have changed its station number.",
                "Is the rover's radio on the project's channel?",
                "Set the receiver to use {ours} only.",
                "Note when this began: the office must check the points stored since then.",
            ),
            (
                "Tell the crew: store no points until this is over.",
                "Is the station number that the base's receiver sends the one in the site file?",
                "Is this line plugged in at our base's own receiver?",
            ),
        ),
        "two-bases": Advice(
            "Station {other} comes in on the same line as {beside}.",
            (
                "Store no points while both are heard.",
                "Set the receiver to use {ours} only.",
                "Change both ends to a free channel that you are licensed for.",
                "Find out whose station {other} is, and tell the office.",
            ),
            (
                "Tell the crew: store no points until this is over.",
                "Is a second device plugged in on this line?",
                "Does the base's receiver pass on corrections that it receives itself? Switch that off.",
            ),
        ),
    }
    Figures = ChannelFigures

    def begin(self) -> None:
        streams = self.scene.correction_streams if self.scene.base_kind == "own" else []
        self._heard: dict[str, dict[int, _Heard]] = {stream: {} for stream in streams}
        self._lasting: dict[str, dict[int, _Heard]] = {stream: {} for stream in streams}  # `_MANY` at most: judged each time
        self._many = dict.fromkeys(streams, _MANY)  # with so many, those that are gone are forgotten
        self._ours = self.scene.station_ids
        self._other_fix: tuple[float, Fix] | None = None
        self._stranger = False  # one has been heard, and it was not gone when last judged

    def see(self, fact: Fact) -> bool | None:
        """Note which stations the lines carry, and which one the rover says it uses."""
        if isinstance(fact, Traffic):
            heard = self._heard.get(fact.stream)
            if heard is None:
                return True
            t, ours, pause_s, lasting = fact.t, self._ours, self.figures.pause_s, self._lasting[fact.stream]
            for station, frames in fact.frames_by_station.items():
                if station is None:
                    continue
                known = heard.get(station)
                if known is None or (gap_s := t - known.last) > known.pause_s:
                    interval_s = 0.0 if known is None else min(t - known.last, 30.0)
                    known = heard[station] = _Heard(t, interval_s, pause_s)
                elif gap_s > known.gap_s or gap_s > pause_s:
                    known.gap_s = max(known.gap_s, gap_s)
                    if gap_s > pause_s:
                        known.runs_since = t
                known.last = t
                known.frames += frames
                if not known.lasts and self._lasts(known) and len(lasting) < _MANY:
                    known.lasts = True
                    lasting[station] = known
                if station not in ours if ours is not None else len(heard) > 1:
                    self._stranger = True
            if len(heard) > self._many[fact.stream]:
                self._forget_gone(fact.stream, t)
            return not self._stranger
        return self.see_positions((fact,)) if isinstance(fact, Fix) else None

    def see_positions(self, fixes: Sequence[Fix]) -> bool | None:
        """All of them use the station that the first one uses."""
        first = fixes[0]
        if not self.scene.uses_another_station(first):
            self._other_fix = None
        elif self._other_fix is None:
            self._other_fix = (first.t, first)
        return self._other_fix is None

    def due(self) -> float:
        """At once while a stranger may be there; else only when one is heard."""
        return 0.0 if self._stranger or self._other_fix is not None else math.inf

    def judge(self, t: float) -> Iterable[Finding]:
        """One finding a line with a foreign station on it, one for a rover that uses one."""
        self._stranger = False
        for stream, heard in self._heard.items():
            if finding := self._foreign(stream, heard, t):
                self._stranger = True
                yield finding
        if self._other_fix is not None and not self._stranger:
            since, fix = self._other_fix
            # Under the line's own key: the rover rides on for seconds when the line has cleared, no second incident.
            key = next(iter(self._heard), fix.stream)
            evidence: dict[str, Any] = {"station_id": fix.station_id, "quality": fix.quality}
            yield self._finding(["another-base"], fix.stream, key, since, evidence)

    def _foreign(self, stream: str, heard: dict[int, _Heard], t: float) -> Finding | None:
        lasting = self._lasting[stream]
        now = self._lasting[stream] = {n: known for n, known in lasting.items() if t - known.last <= known.pause_s}
        if self._ours is None:
            if len(now) < 2:
                return None
            second = max(now, key=lambda station: now[station].first)
            seen = {"stations": sorted({*sorted(now)[:_MOST_NAMED], second}), "station_id": second}
            return self._finding(["two-bases"], stream, stream, now[second].first, seen)
        foreign = [station for station in now if station not in self._ours]
        if not foreign:
            return None
        since = min(now[station].first for station in foreign)
        ours_t = max((heard[station].last for station in self._ours if station in heard), default=None)
        both = ours_t is not None and ours_t > since + 1.0
        loudest = max(foreign, key=lambda station: now[station].frames)
        causes = ["two-bases", "another-base"] if both else ["another-base", "two-bases"]
        stray = both and all(self._is_stray(now[station]) for station in foreign)
        evidence = {
            "station_id": loudest,
            "stations": sorted(sorted(now, key=lambda station: now[station].frames)[-_MOST_NAMED:]),
            "frames": now[loudest].frames,
            "ours_heard_s_ago": None if ours_t is None else round(t - ours_t, 1),
        }
        return self._finding(causes, stream, stream, since, evidence, "note" if stray else None)

    def _finding(
        self, causes: list[str], stream: str, key: str, since: float, evidence: dict[str, Any], severity: Severity | None = None
    ) -> Finding:
        ours = sorted(self.scene.station_ids or ())
        named = " or ".join(map(str, ours))
        place = ", but from the place where ours was" if self.scene.where_ours_was(evidence["station_id"]) else ""
        beside = [station for station in evidence.get("stations", []) if station != evidence["station_id"]]
        return Finding(
            causes=[Cause(cause=cause) for cause in causes],
            stream=stream,
            key=key,
            since=since,
            severity=severity,
            evidence={**evidence, "project_station_ids": ours},
            words={
                "other": str(evidence["station_id"]),
                "not_ours": f", not from ours ({named}){place}" if ours else "",
                "ours": f"station {named}" if ours else "the station of our base",
                "beside": f"ours ({named})" if ours else f"station {', '.join(map(str, beside))}",
            },
        )

    def _forget_gone(self, stream: str, t: float) -> None:
        is_ours, heard = self.scene.is_ours, self._heard[stream]
        self._heard[stream] = kept = {n: known for n, known in heard.items() if t - known.last <= known.pause_s or is_ours(n)}
        self._many[stream] = max(_MANY, 2 * len(kept))

    def _lasts(self, known: _Heard) -> bool:
        """True once a station's frames have gone on for the on-delay.

        Frames come once a second or so: the one due at the end of the on-delay decides, with some jitter allowed; a slower
        station is allowed its own interval.
        """
        return known.last - known.first >= self.figures.on_delay_s - max(0.3, known.gap_s - 0.7)

    def _is_stray(self, known: _Heard) -> bool:
        return known.interval_s > _STRAY_S and known.last - known.runs_since < self.figures.on_delay_s
