"""wrong-channel (stop): somebody else's base is on the line: good frames from a station that is not the project's.

When: for `on_delay_s`, with no pause longer than `pause_s` (or one and a half of that station's own intervals). Where the site
names no station ID, a second station on the same line. At a rover also when the receiver itself says that it is fixed to
another station (GGA field 14: four digits, 0000–1023 by the standard while RTCM has 0–4095, so IDs are compared modulo
1024 and modulo 1000 too; 0 is many receivers' "not said").

Causes: `another-base` (ours is not heard beside it), `two-bases` (both are). Source: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.facts import Fact, Fix, Traffic
from witnesspost.rules.gnss import FixQuality


class ChannelFigures(Delays, kw_only=True):
    """Seconds."""

    on_delay_s: float = 3.0
    pause_s: float = 2.5


class _Heard:
    """One station on one line: since when without a long pause, the last time, the longest gap since, its own interval."""

    def __init__(self, t: float):
        self.first = self.last = t
        self.frames = 0
        self.gap_s = 0.0
        self.interval_s = 0.0


class WrongChannel(Rule[ChannelFigures]):
    """See the module."""

    name = "wrong-channel"
    severity = "stop"
    sees = (Traffic, Fix)
    causes = {
        "another-base": Advice(
            "Corrections come from station {other}, not from ours ({ours}).",
            (
                "Store no points: they would be tied to somebody else's base.",
                "Our base on, and on the channel of the radio sheet?",
                "Rover's radio on the channel of the radio sheet?",
                "In the receiver: let it take station {ours} only.",
                "Points since this began: mark them for the office.",
            ),
        ),
        "two-bases": Advice(
            "Station {other} is on the line beside ours ({ours}).",
            (
                "Store no points while two bases talk over each other.",
                "In the receiver: let it take station {ours} only.",
                "Change to a free channel that you are licensed for, at both ends.",
                "Find out whose station {other} is.",
            ),
        ),
    }
    Figures = ChannelFigures

    def begin(self) -> None:
        self._heard: dict[str, dict[int, _Heard]] = {stream: {} for stream in self.scene.correction_streams}
        self._other_fix: tuple[float, Fix] | None = None

    def see(self, fact: Fact) -> None:
        """Note which stations the lines carry, and which one the rover says it uses."""
        if isinstance(fact, Traffic):
            heard = self._heard.get(fact.stream)
            if heard is None:
                return
            ours = self.site.base.station_ids
            for station, frames in fact.frames_by_station.items():
                if station is None:
                    continue
                known = heard.get(station)
                if known is None or fact.t - known.last > self._pause_s(known):
                    interval_s = 0.0 if known is None else fact.t - known.last
                    known = heard[station] = _Heard(fact.t)
                    known.interval_s = min(interval_s, 30.0)
                known.gap_s = max(known.gap_s, fact.t - known.last)
                known.last = fact.t
                known.frames += frames
                if ours is None or not self.scene.is_ours(station):
                    self.quiet_until = 0.0
        elif isinstance(fact, Fix):
            if not self._is_another_station(fact):
                self._other_fix = None
            elif self._other_fix is None:
                self._other_fix = (fact.t, fact)
                self.quiet_until = 0.0

    def judge(self, t: float) -> Iterable[Finding]:
        """One finding a line with a foreign station on it, one for a rover that uses one."""
        on_a_line = False
        self.quiet_until = math.inf
        for stream, heard in self._heard.items():
            if heard and (finding := self._foreign(stream, heard, t)):
                on_a_line = True
                yield finding
        if self._other_fix is not None and not on_a_line:
            since, fix = self._other_fix
            # Under the line's own key: the rover rides on for seconds when the line has cleared, no second incident.
            key = next(iter(self._heard), fix.stream)
            evidence: dict[str, object] = {"station_id": fix.station_id, "quality": fix.quality}
            yield self._finding(["another-base"], fix.stream, key, since, evidence)

    def _foreign(self, stream: str, heard: dict[int, _Heard], t: float) -> Finding | None:
        now = {station: known for station, known in heard.items() if self._lasts(known, t)}
        if self.site.base.station_ids is None:
            if len(now) < 2:
                return None
            second = max(now, key=lambda station: now[station].first)
            return self._finding(
                ["two-bases"], stream, stream, now[second].first, {"stations": sorted(now), "station_id": second}
            )
        foreign = [station for station in now if not self.scene.is_ours(station)]
        if not foreign:
            return None
        since = min(now[station].first for station in foreign)
        listed = [heard[station] for station in self.site.base.station_ids if station in heard]
        ours = max(listed, key=lambda known: known.last, default=None)
        both = ours is not None and ours.last > since + 1.0
        loudest = max(foreign, key=lambda station: now[station].frames)
        causes = ["two-bases", "another-base"] if both else ["another-base", "two-bases"]
        evidence = {
            "station_id": loudest,
            "stations": sorted(now),
            "frames": now[loudest].frames,
            "ours_heard_s_ago": round(t - ours.last, 1) if ours else None,
        }
        return self._finding(causes, stream, stream, since, evidence)

    def _finding(self, causes: list[str], stream: str, key: str, since: float, evidence: dict[str, object]) -> Finding:
        ours = self.site.base.station_ids
        return Finding(
            causes=[Cause(cause=cause) for cause in causes],
            stream=stream,
            key=key,
            since=since,
            evidence={**evidence, "project_station_id": self.site.base.station_id},
            words={
                "other": str(evidence["station_id"]),
                "ours": "not named" if ours is None else " or ".join(str(one) for one in sorted(ours)),
            },
        )

    def _lasts(self, known: _Heard, t: float) -> bool:
        """True while a station is heard; past the on-delay only one whose frames have gone on for as long.

        Frames come once a second or so: the one due at the end of the on-delay decides, with some jitter allowed; a slower
        station is allowed its own interval.
        """
        if t - known.last > self._pause_s(known):
            return False
        on_delay_s = self.figures.on_delay_s
        return t - known.first < on_delay_s or known.last - known.first >= on_delay_s - max(0.3, known.gap_s - 0.7)

    def _pause_s(self, known: _Heard) -> float:
        return max(self.figures.pause_s, 1.5 * known.interval_s)

    def _is_another_station(self, fix: Fix) -> bool:
        ours = self.site.base.station_ids
        if ours is None or not fix.station_id or fix.quality not in (FixQuality.RTK_FIXED, FixQuality.RTK_FLOAT):
            return False
        return all(fix.station_id not in (one, one % 1024, one % 1000) for one in ours)
