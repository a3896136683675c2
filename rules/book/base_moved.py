"""base-moved (stop): the base is not where it was: its broadcast position changed within the run.

When: one of the project's own bases sends an antenna reference point over 0.01 m from the one before; or, where the site file
names no station, a line's corrections come from a station that was not heard on it before. Raised with the first message that
shows it. The condition lasts 30 s, and on for as long as the new position is not the project's; it ends at once when the
old position is back. A 1006 that comes with another antenna height after a pause, the mark under it the project's, is a new
set-up, no move; without a pause nobody has touched the antenna, and the points before and after differ. Where a person has told
the set-up, the position that it gives is no move, whatever the pause; and what the base says first after it was off the air is
compared with the project alone (`base-datum`).
A network's or a moving base's stations change as they like.

Two bases with one number, each heard in its turn, are no move: told as that once the old position comes again in its turn, and
as what may be where another antenna height comes with a place over 100 m off, without a pause.

Where the change is more than a tripod can do (1 m), and `base-datum` knows why the coordinate is wrong, that rule is the one to
tell it: no bubble makes a geoid separation, or another project's place. Then this one stands beneath it.

At a rover whose post hears positions alone: the fixed position steps by over 0.2 m while the rover stands, or faster than it
can move, without a loss of fix. Who carries a pole to the next point is slower, and plumbs it for a few seconds.

Causes: `antenna-height-changed` where the change is vertical and message 1006's antenna height changed by as much,
`coordinate-changed`, `same-number`, `station-changed`, `position-jumped`. Source: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from witnesspost.rules.coordinates import Ecef
from witnesspost.rules.datum.explanation import in_words, length_in_words
from witnesspost.rules.datum.geodesy import DatumError, enu
from witnesspost.rules.datum.leap import Leap, Leaps
from witnesspost.rules.datum.verdict import Datum, by_said_height
from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.engine.senders import APART_M, Shared
from witnesspost.rules.facts import Epoch, Fact, Fix, SetUp, Station
from witnesspost.rules.site.model import Base

_STOP = "Store no points until this is over."
_TELL_THE_CREW = "Tell the crew: store no points until this is over."
_NOTE_IT = "Before you correct anything: note the time, the old coordinate and the old antenna height."
_CHECK_IN_AGAIN = "Then let a rover check in on a control point before anyone goes on."
_CHECK_IN_AFTER = "Check in on a control point before you go on."
_SAME_M = 0.003  # the antenna height and the position change by as much: twice the wire's rounding, and a millimetre


class BaseMovedFigures(Delays, kw_only=True):
    """`limit_m` is what the position may change by; `news_s` how long a change is news; `tolerance_m` is base-datum's;
    `step_m` is the step of a standing rover's position that is a leap; a tripod does not move by over `tripod_m`; a
    base that was silent for `pause_s` is set up anew, and says its new height within `setup_s`.
    """

    limit_m: float = 0.01
    news_s: float = 30.0
    tolerance_m: float = 0.03
    step_m: float = 0.2
    tripod_m: float = 1.0
    pause_s: float = 30.0
    setup_s: float = 300.0


class BaseMoved(Rule[BaseMovedFigures]):
    """Keeps the last position of each base, the senders of each line, and at a rover alone its positions."""

    name = "base-moved"
    severity = "stop"
    absence_explains = False
    sees: tuple[type[Fact], ...] = (Station, Epoch, Fix, SetUp)
    causes = {
        "coordinate-changed": Advice(
            "The base's position changed: it is now {offset} compared with before.",
            (
                _STOP,
                "Did anyone move the base, restart it, or type its coordinate anew? Ask before you touch it.",
                "Base: is it still over its mark, the tripod firm, the bubble in the middle?",
                "Check in on a control point before you go on.",
                "Points from before and after the change do not fit together: tell the office the time.",
            ),
            (
                _TELL_THE_CREW,
                "Was the base moved or restarted, or its coordinate typed anew?",
                "Is it still over its mark, the tripod firm, the bubble in the middle?",
                _NOTE_IT,
                _CHECK_IN_AGAIN,
                "Points from before and after the change do not fit together: tell the office the time.",
            ),
        ),
        "antenna-height-changed": Advice(
            "The base's antenna height changed: its position is now {offset} compared with before.",
            (
                _STOP,
                "Measure the base's antenna height, and compare it with the one typed at the base.",
                "Check in on a control point before you go on.",
                "Points from before and after the change differ in height: tell the office the time.",
            ),
            (
                _TELL_THE_CREW,
                "Measure the base's antenna height, and compare it with the one typed here.",
                _NOTE_IT,
                _CHECK_IN_AGAIN,
                "Points from before and after the change differ in height: tell the office the time.",
            ),
        ),
        "same-number": Advice(
            "{what}",
            (
                _STOP,
                "Change both ends to a free channel that you are licensed for, or give our base a station number of its own.",
                "Switch our base off for a moment: what still comes in as station {station_id} is not ours.",
                _CHECK_IN_AFTER,
                "Note when this began: the office must check the points stored since then.",
            ),
            (
                _TELL_THE_CREW,
                "Give the base a station number of its own, and tell the crew; the office puts it into the site file.",
                "Is a second device plugged in on this line, or does the receiver pass on corrections that it receives itself?",
                _CHECK_IN_AGAIN,
                "Note when this began: the office must check the points stored since then.",
            ),
        ),
        "station-changed": Advice(
            "The corrections on {stream} now come from station {station_id}, not from {station_id_before} as before.",
            (
                _STOP,
                "Was our base changed or set up anew? Then check in on a control point before you go on.",
                "If not, it is somebody else's base: change both ends to a free channel that you are licensed for.",
                "Office: name our station in the site file (station_id).",
            ),
            (
                _TELL_THE_CREW,
                "Was our base changed or set up anew? Then let a rover check in on a control point before anyone goes on.",
                "If not: is this line plugged in at our base's own receiver?",
                "Office: name our station in the site file (station_id).",
            ),
        ),
        "position-jumped": Advice(
            "The fixed position jumped: it is now {offset} compared with before, without a loss of fix.",
            (
                _STOP,
                "Lose the fix, initialise anew, and check in on a control point before you go on.",
                "Ask at the base: was it moved or restarted, or its coordinate typed anew?",
                "Points from before and after the jump may not fit together: tell the office the time.",
            ),
        ),
    }
    Figures = BaseMovedFigures

    def begin(self) -> None:
        self._datum = Datum(self.site)
        self._now: dict[int, Station] = {}
        self._moved: dict[int, _Move] = {}
        self._shared: dict[int, Finding] = {}  # by station: two senders of its number
        self._sent: dict[int, float] = {}  # by station: its last epoch
        self._began: dict[int, float] = {}  # and when it was back after its last pause
        self._heard: dict[str, list[int]] = {}
        self._changed: dict[str, Finding] = {}
        self._set_up: set[int] = set()  # stations that have yet to say the set-up that a person has told
        hears_positions_alone = self.site.post.role == "rover" and not self.scene.correction_streams
        self._leaps = Leaps(self.figures.step_m)
        if self.scene.base_kind != "own":
            self.sees = ()
        elif not hears_positions_alone:
            self.sees = (Station, Epoch, SetUp)

    def see(self, fact: Fact) -> bool | None:
        """A station position of the project's base, an epoch that says who sends, a rover's position, or a set-up."""
        if isinstance(fact, Fix):
            leap = self._leaps.see(fact)
            if leap is not None:
                self._changed["jump"] = _leap_finding(leap)
        elif isinstance(fact, Epoch):
            self._see_pause(fact)
            self._see_sender(fact)
        elif isinstance(fact, Station):
            base = self.scene.base_of(fact.station_id)
            if base is not None:
                self._see_position(fact, base)
        elif isinstance(fact, SetUp):
            self._see_set_up()
        return not (self._moved or self._changed or self._shared)

    def due(self) -> float:
        """At once while a change is news; else only a message can bring one."""
        return 0.0 if self._moved or self._changed or self._shared else math.inf

    def judge(self, t: float) -> Iterable[Finding]:
        """The changes that are still news, and those to a position that is not the project's."""
        for station_id, move in tuple(self._moved.items()):
            if t >= move.since + self.figures.news_s and not move.wrong:
                del self._moved[station_id]
        for what, finding in tuple(self._changed.items()):
            if finding.since is not None and t >= finding.since + self.figures.news_s:
                del self._changed[what]
        for station_id in tuple(self._shared):
            if self.scene.senders.shared(station_id, t) is None:
                del self._shared[station_id]
        datum_tells = "base-datum" in self.scene.active_rules
        moves = [move.finding for move in self._moved.values() if datum_tells or not move.datum_tells]
        return [*self._shared.values(), *moves, *self._changed.values()]

    def _see_position(self, station: Station, base: Base) -> None:
        before, told = self._now.get(station.station_id), station.station_id in self._set_up
        if told and before is not None and self._on_air_since(station) > before.t:
            before = None  # off the air since then: what it says first is the set-up that was told, or base-datum's
            self._moved.pop(station.station_id, None)
        self._now[station.station_id] = station
        shared = self.scene.senders.shared(station.station_id, station.t)
        if shared is not None:
            self._moved.pop(station.station_id, None)
            if station.station_id not in self._shared:
                self._shared[station.station_id] = _shared_finding(shared)
            return
        if before is None:
            if told and self._right(station, base) is not False:
                self._set_up.discard(station.station_id)
            return
        if math.dist(_at(before), _at(station)) <= self.figures.limit_m:
            return
        moved = self._moved.pop(station.station_id, None)
        if moved is not None and math.dist(_at(moved.origin), _at(station)) <= self.figures.limit_m:
            return  # back where it was
        right = self._right(station, base)
        if told and right is not False:
            self._set_up.discard(station.station_id)
            return  # a person has said that the base stands there today
        other_height = station.antenna_height_m and station.antenna_height_m != before.antenna_height_m
        set_up = self._is_told(station, base) or station.t - self._on_air_since(station) < self.figures.setup_s
        if right and other_height and set_up:
            return  # the day's antenna height over the project's own mark, after a pause or as a person has told it
        origin = moved.origin if moved is not None else before
        finding = self._finding(origin, station)
        one_base = finding.causes[0].cause != "same-number"
        datum_tells = right is False and one_base and self._datum_tells(origin, station, base)
        self._moved[station.station_id] = _Move(origin, station, finding, right is False, datum_tells)

    def _see_set_up(self) -> None:
        """The base stands elsewhere today, or at another height: a change to there is no news, before it was told or after."""
        before, self._datum = self._datum.site.base, Datum(self.site)
        now = self.site.base
        for station_id in [number for number in self._now if number not in self.scene.stations]:
            del self._now[station_id]
            self._moved.pop(station_id, None)
            self._set_up.add(station_id)
        if (before.occupies, before.antenna_height_m) == (now.occupies, now.antenna_height_m):
            return
        for station_id, station in self._now.items():
            if self.scene.base_of(station_id) is not now:
                continue
            right = self._right(station, now)
            moved = self._moved.get(station_id)
            if right is not True:
                self._set_up.add(station_id)
            if moved is not None:
                moved.wrong = right is False
                if right:
                    del self._moved[station_id]

    def _is_told(self, station: Station, base: Base) -> bool:
        """True where a person has told the very antenna height that the base says."""
        if self.scene.today is None or base is not self.site.base or station.antenna_height_m is None:
            return False
        return abs(station.antenna_height_m - base.antenna_height_m) <= _SAME_M

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
        apart_m = math.dist(_at(before), _at(station))
        if apart_m > APART_M and risen and station.t - self._on_air_since(station) >= self.figures.setup_s:
            causes.insert(0, "same-number")
        what = (
            f"Station {station.station_id} now says a position {length_in_words(apart_m)} off and another antenna height: "
            "that may be another base with our number, or ours, set up elsewhere."
        )
        return Finding(
            causes=[Cause(cause=cause) for cause in causes],
            stream=station.stream,
            key=str(station.station_id),
            since=station.t,
            evidence={
                "station_id": station.station_id,
                "moved_m": round(apart_m, 4),
                "east_m": round(east, 4) + 0.0,
                "north_m": round(north, 4) + 0.0,
                "up_m": round(up, 4) + 0.0,
                "x_m": station.x_m,
                "y_m": station.y_m,
                "z_m": station.z_m,
                "antenna_height_before_m": before.antenna_height_m,
                "antenna_height_m": station.antenna_height_m,
            },
            words={"offset": in_words(offset), "what": what},
        )

    def _right(self, station: Station, base: Base) -> bool | None:
        """True where the base is where the project says, None where the project does not say it."""
        if not self._datum.has_control or base.occupies is None:
            return None
        try:
            expected = self._datum.arp(base, station.antenna_height_m)
        except DatumError:
            return None  # base-datum fails over it and is named; a base that moves is news all the same
        limits = self._datum.limits(expected, self.figures.tolerance_m, self.figures.tolerance_m)
        return self._datum.offset(_at(station), expected).within(*limits)

    def _datum_tells(self, origin: Station, station: Station, base: Base) -> bool:
        """True where base-datum judges this base, and knows why it is off by more than a tripod can move."""
        ecef = _at(station)
        if math.dist(_at(origin), ecef) <= self.figures.tripod_m or not self.scene.judged(station.station_id):
            return False
        expected = self._datum.arp(base, station.antenna_height_m)
        offset = self._datum.offset(ecef, expected)
        limits = self._datum.limits(expected, self.figures.tolerance_m, self.figures.tolerance_m)
        if self._datum.not_judged(offset, limits[0]):
            return False
        if by_said_height(offset, station.antenna_height_m, base.antenna_height_m, limits) is not None:
            return True
        situation = self._datum.situation(expected, self.scene.utc_at(station.t), self.scene.fix)
        return (
            self._datum.why(offset, situation).causes[0].cause != "unexplained" or self._datum.far(ecef, expected) is not None
        )

    def _on_air_since(self, station: Station) -> float:
        """Since when the base has sent without a pause: its position may come before the first epoch."""
        if station.t - self._sent.get(station.station_id, math.inf) > self.figures.pause_s:
            return station.t
        return self._began.get(station.station_id, -math.inf)

    def _see_pause(self, epoch: Epoch) -> None:
        last = self._sent.get(epoch.station_id)
        if last is not None and epoch.t - last > self.figures.pause_s:
            self._began[epoch.station_id] = epoch.t
        self._sent[epoch.station_id] = epoch.t

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
    """From where the base was to where it is; `wrong` if that is not the project's coordinate, `datum_tells` if base-datum
    knows why."""

    def __init__(self, origin: Station, station: Station, finding: Finding, wrong: bool, datum_tells: bool):
        self.origin, self.since, self.finding = origin, station.t, finding
        self.wrong, self.datum_tells = wrong, datum_tells


def _shared_finding(shared: Shared) -> Finding:
    number, far_m = shared.first.station_id, shared.apart_m
    other = shared.other
    return Finding(
        causes=[Cause(cause="same-number")],
        stream=other.stream,
        key=str(number),
        since=shared.since,
        evidence={"station_id": number, "apart_m": round(far_m, 4), "x_m": other.x_m, "y_m": other.y_m, "z_m": other.z_m},
        words={"what": f"Two bases with station number {number} are heard in turns, {length_in_words(far_m)} apart."},
    )


def _leap_finding(leap: Leap) -> Finding:
    east, north, up = leap.by
    return Finding(
        causes=[Cause(cause="position-jumped")],
        stream=leap.stream,
        key="jump",
        since=leap.t,
        evidence={
            "moved_m": round(math.hypot(*leap.by), 4),
            "east_m": round(east, 4) + 0.0,
            "north_m": round(north, 4) + 0.0,
            "up_m": round(up, 4) + 0.0,
            "stood": leap.stood,
        },
        words={"offset": in_words(leap.by)},
    )


def _at(station: Station) -> Ecef:
    return Ecef(station.x_m, station.y_m, station.z_m)
