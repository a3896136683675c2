"""base-moved (stop): the base is not where it was: its broadcast position changed within the run.

When: the project's station sends an antenna reference point over 0.01 m from the one before; or, where the site file names
no station, a line's corrections come from a station that was not heard on it before. Raised with the first message that
shows it. The condition lasts 30 s, and on for as long as the new position is not the project's; it ends at once when the
old position is back.

Causes: `antenna-height-changed` where the change is vertical and message 1006's antenna height changed by as much,
`coordinate-changed`, `station-changed`. Source: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from witnesspost.rules.coordinates import Ecef
from witnesspost.rules.datum.explanation import in_words
from witnesspost.rules.datum.geodesy import DatumError, enu
from witnesspost.rules.datum.verdict import Datum
from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.facts import Epoch, Fact, Station

_SAME_M = 0.003  # the antenna height and the position change by as much: twice the wire's rounding, and a millimetre


class BaseMovedFigures(Delays, kw_only=True):
    """`limit_m` is what the position may change by; `news_s` how long a change is news; `tolerance_m` is base-datum's."""

    limit_m: float = 0.01
    news_s: float = 30.0
    tolerance_m: float = 0.05


class BaseMoved(Rule[BaseMovedFigures]):
    """See the module."""

    name = "base-moved"
    severity = "stop"
    sees = (Station, Epoch)
    causes = {
        "coordinate-changed": Advice(
            "The base's position changed: it is now {offset} of where it was.",
            (
                "Stop: store no points.",
                "Did anyone move the base, start it again, or type its coordinate anew? Ask before you touch it.",
                "Base: still over its mark, tripod firm, bubble in the middle?",
                "Check in on a control point before you go on.",
                "Points from before and after the change do not fit together: tell the office when it was.",
            ),
        ),
        "antenna-height-changed": Advice(
            "The base's antenna height changed: its position is now {offset} of where it was.",
            (
                "Stop: store no points.",
                "Measure the base's antenna height and compare with what is typed.",
                "Check in on a control point before you go on.",
                "Points from before and after the change differ in height: tell the office when it was.",
            ),
        ),
        "station-changed": Advice(
            "The corrections on {stream} now come from station {station_id}, not from {station_id_before} as before.",
            (
                "Stop: store no points.",
                "Was our base changed or set up anew? Then check in on a control point before you go on.",
                "If not: it is somebody else's base. Change the channel, at both ends.",
                "Name our station in the site file (station_id).",
            ),
        ),
    }
    Figures = BaseMovedFigures

    def begin(self) -> None:
        self._datum = Datum(self.site)
        self._now: dict[int, Station] = {}
        self._moved: dict[int, _Move] = {}
        self._heard: dict[str, list[int]] = {}
        self._changed: dict[str, Finding] = {}

    def see(self, fact: Fact) -> None:
        """A station position of the project's base, or an epoch that says who sends."""
        if isinstance(fact, Epoch):
            self._see_sender(fact)
        elif isinstance(fact, Station) and self.scene.is_ours(fact.station_id):
            self._see_position(fact)
        if self._moved or self._changed:
            self.quiet_until = 0.0

    def judge(self, t: float) -> Iterable[Finding]:
        """The changes that are still news, and those to a position that is not the project's."""
        if not self._moved and not self._changed:
            self.quiet_until = math.inf
            return ()
        for station_id, move in tuple(self._moved.items()):
            if t >= move.since + self.figures.news_s and not move.wrong:
                del self._moved[station_id]
        for stream, finding in tuple(self._changed.items()):
            if finding.since is not None and t >= finding.since + self.figures.news_s:
                del self._changed[stream]
        return [*(move.finding for move in self._moved.values()), *self._changed.values()]

    def _see_position(self, station: Station) -> None:
        before = self._now.get(station.station_id)
        self._now[station.station_id] = station
        if before is None or math.dist(_at(before), _at(station)) <= self.figures.limit_m:
            return
        standing = self._moved.pop(station.station_id, None)
        if standing is not None and math.dist(_at(standing.origin), _at(station)) <= self.figures.limit_m:
            return  # back where it was
        origin = standing.origin if standing is not None else before
        self._moved[station.station_id] = _Move(origin, station, self._finding(origin, station), self._wrong(station))

    def _finding(self, before: Station, station: Station) -> Finding:
        offset = enu(_at(before), _at(station))
        east, north, up = offset
        causes = ["coordinate-changed"]
        risen = None
        if before.antenna_height_m is not None and station.antenna_height_m is not None:
            risen = station.antenna_height_m - before.antenna_height_m
        if math.hypot(east, north) <= _SAME_M and (risen is None or abs(up - risen) <= _SAME_M):
            # Without 1006's antenna height a change that is only vertical may be either.
            causes.insert(len(causes) if risen is None else 0, "antenna-height-changed")
        return Finding(
            causes=[Cause(cause=cause) for cause in causes],
            stream=station.stream,
            key=str(station.station_id),
            since=station.t,
            evidence={
                "station_id": station.station_id,
                "moved_m": round(math.dist(_at(before), _at(station)), 4),
                "east_m": round(east, 4) + 0.0,
                "north_m": round(north, 4) + 0.0,
                "up_m": round(up, 4) + 0.0,
                "x_m": station.x_m,
                "y_m": station.y_m,
                "z_m": station.z_m,
                "antenna_height_before_m": before.antenna_height_m,
                "antenna_height_m": station.antenna_height_m,
            },
            words={"offset": in_words(offset)},
        )

    def _wrong(self, station: Station) -> bool:
        """True if the project says where the base is, and it is not there."""
        if not self._datum.has_base:
            return False
        try:
            expected = self._datum.expected
        except DatumError:
            return False  # base-datum fails over it and is named; a base that moves is news all the same
        east, north, up = self._datum.offset(_at(station), expected)
        return max(math.hypot(east, north), abs(up) - expected.height_error_m) > self.figures.tolerance_m

    def _see_sender(self, epoch: Epoch) -> None:
        if self.site.base.station_id is not None or not self.scene.is_ours(epoch.station_id):
            return
        heard = self._heard.setdefault(epoch.stream, [])
        if epoch.station_id in heard:
            return
        heard.append(epoch.station_id)
        if len(heard) > 1:
            self._changed[epoch.stream] = Finding(
                causes=[Cause(cause="station-changed")],
                stream=epoch.stream,
                key=f"sender on {epoch.stream}",
                since=epoch.t,
                evidence={"station_id": epoch.station_id, "station_id_before": heard[-2]},
            )


class _Move:
    """From where the base was to where it is; `wrong` if that is not the project's coordinate."""

    def __init__(self, origin: Station, station: Station, finding: Finding, wrong: bool):
        self.origin, self.since, self.finding, self.wrong = origin, station.t, finding, wrong


def _at(station: Station) -> Ecef:
    return Ecef(station.x_m, station.y_m, station.z_m)
