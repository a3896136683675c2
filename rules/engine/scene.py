"""What is known now: the latest of everything, and what many rules ask, answered once.

Whose station is it (`is_ours`, `base_of`)? For how long has a line been without corrections (`silent_for`), and how long is
too long (`limit_s`)? Is the rover being corrected (`corrected`), does it stand (`still_s`), and does its pole lean (`pole`)?
Is the base proven right (`proven_right`)?
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Sequence
from typing import Any, Literal, NamedTuple

from witnesspost.rules.coordinates import Ecef
from witnesspost.rules.engine.check_in import DeclaredCheck
from witnesspost.rules.engine.checked import Checked
from witnesspost.rules.engine.motion import Motion
from witnesspost.rules.engine.pole import Pole
from witnesspost.rules.engine.senders import Senders, apart_m
from witnesspost.rules.engine.set_up import set_up
from witnesspost.rules.engine.tally import Tally
from witnesspost.rules.facts import Antenna, Epoch, Fact, Fix, Frozen, Planned, Port, SetUp, Solved, Station, Tilt, Utc
from witnesspost.rules.gnss import GRS80, WEEK_S, FixQuality
from witnesspost.rules.site.model import Base, Site

LEFT_S = 3.0  # a station silent for so long has left the line to another
LIMIT_S = 5.0  # corrections that are older are late, a line without any for longer is silent
LIMIT_INTERVALS = 3.0  # of the line's usual ones, where it sends more rarely
NETWORK_AGE_S = 15.0  # corrections computed for a place may be older: common practice of services, no source
AWAY_S = 30.0  # a base that was off the air for longer may be another when it is back: common practice, no source
BACK_S = 60.0  # whoever has switched a base on again types its coordinate within it: common practice, no source
BEGINS_S = 300.0  # an interruption that is announced begins within it: common practice, no source
RESTART_S = 120.0  # a base is switched off and on in less only by a glitch: common practice, no source
MOVED_M = 0.01  # base-moved's limit
_SAME_PLACE_M = 1.0  # as a base says its position anew after a start: common practice, no source
_INTERVALS_KEPT = 15
_LONGEST_INTERVAL_S = 120.0  # epochs that are further apart have been interrupted, or their time has jumped

See = Callable[[Any], None]
Seers = dict[type[Fact], See]
"""What takes in a fact, by its kind: facts come many a second, and a look-up costs less than a chain of questions."""


class Renewal(NamedTuple):
    """The base is perhaps not as it was before `t`: it was silent (it may have been restarted), it says another position, or a
    person has told another set-up of it."""

    by: Literal["silence", "position", "set-up"]
    t: float


class Scene:
    """The state of the lines, kept by the engine before any rule sees a fact. Nothing here judges."""

    def __init__(self, site: Site, began_t: float = 0.0):
        self.plan = site  # the site file's
        self.site = site  # as it holds now: by today's set-up, where a person has said one
        self.today: SetUp | None = None
        self.declared: DeclaredCheck | None = None  # the last check-in that a person has asked for; control-check's
        self.solved = Tally()
        self.began_t = began_t
        self.correction_streams = [s.name for s in site.stream if "corrections" in s.carries]
        self.position_streams = [s.name for s in site.stream if "positions" in s.carries]
        self.fix: Fix | None = None
        self.fixes: dict[str, Fix] = {}  # by stream: the last
        self.stations: dict[int, Station] = {}
        self.senders = Senders()
        self.antennas: dict[int, Antenna] = {}
        self.ports: dict[str, Port] = {}
        self.last_epoch: dict[str, Epoch] = {}
        self.last_any_epoch: dict[str, Epoch] = {}
        self._adopted: Epoch | None = None  # the last epoch of the station that sends
        self.utc: Utc | None = None
        self.planned: Planned | None = None
        self.planned_until = -math.inf
        self._frozen_until = -math.inf
        self.active_rules: set[str] = set()  # by name: an alert of theirs is raised and its condition holds; the engine's
        self.base_kind = site.base.kind  # of a "network" or a "moving" base neither place nor number can be judged
        self._named = self._names()
        self.is_ours: Callable[[int], bool] = self._is_adopted
        """True if this is a station of the project's: any of the numbers of any of its bases.

        Where the site file names none, that is the first one heard; another, once that one has been silent for `LEFT_S` (or
        one and a half of its intervals). A service's or a moving base's numbers may change at any time: each is ours.
        """
        if self._named is not None and self.base_kind == "own":
            self.is_ours = self._named.__contains__  # each rule asks it of each message
        self._called = frozenset(alias for number in self._named or () for alias in (number, number % 1024, number % 1000))
        self._may_walk = site.post.role == "rover"
        self._motions: dict[str, Motion] = {}
        self.pole = Pole(site)
        self._used_ours = False
        self._proven: dict[int, tuple[bool | None, float]] = {}  # by station: agrees, and metres from the project's
        self._borne_out: set[int] = set()  # stations that differ from the project, where other marks agree with them
        self.displaced = False  # base-datum's word: by the rover's first fix the base stands elsewhere than over its point
        self.placed_t = -math.inf  # control-check's: the last check that passed, so that the base stands where it says
        self.renewed: Renewal | None = None  # a check-in from before it says nothing of the base now
        self.checks: dict[str, Checked] = {}  # by point: the last check on it since then; control-check's
        self._on_air: dict[int, _OnAir] = {}  # by station, also those that are not the project's
        self._intervals: dict[str, list[float]] = {}
        self._usual_s: dict[str, float] = {}
        self._same_time: dict[str, int] = {}  # by stream: how many of them have said that time again
        self._timed: dict[str, Epoch] = {}  # by stream: the last of our epochs that said its time
        self.seers: Seers = {  # what takes in each kind of fact
            Antenna: self._see_antenna,
            Epoch: self._see_epoch,
            Fix: self._see_fix,
            Frozen: self._see_frozen,
            Planned: self._see_planned,
            Port: self._see_port,
            SetUp: self._see_set_up,
            Solved: self.solved.add,
            Station: self._see_station,
            Tilt: self.pole.put,
            Utc: self._see_utc,
        }

    def see(self, fact: Fact) -> None:
        """Take in one fact."""
        see = self.seers.get(type(fact))
        if see is not None:
            see(fact)

    def _see_fix(self, fact: Fix) -> None:
        self.fix = self.fixes[fact.stream] = fact
        self.see_motion((fact,))
        if not self._used_ours:
            self._used_ours = self._uses_ours(fact)

    def see_motion(self, fixes: Sequence[Fix]) -> None:
        """Take in where one receiver was: the last of these may be known as the latest before (the engine's stretches)."""
        if not self._may_walk:
            return
        stream = fixes[0].stream
        motion = self._motions.get(stream)
        if motion is None:
            motion = self._motions[stream] = Motion()
        motion.put(fixes)

    def _see_epoch(self, fact: Epoch) -> None:
        self.last_any_epoch[fact.stream] = fact
        self._hear(fact)
        self._adopt(fact)
        if not self.is_ours(fact.station_id):
            return
        before = self.last_epoch.get(fact.stream)
        if before is not None and fact.t - before.t > RESTART_S:
            self._renew(Renewal("silence", fact.t))
        apart_s = self._apart_s(before, fact)
        if apart_s is not None:
            gaps = self._intervals.setdefault(fact.stream, [])
            gaps.append(apart_s)
            del gaps[:-_INTERVALS_KEPT]
            if apart_s != self._usual_s.get(fact.stream):  # one more of the usual leaves the quartile where it is
                self._usual_s[fact.stream] = sorted(gaps)[len(gaps) // 4]
        self.last_epoch[fact.stream] = fact

    def _see_station(self, fact: Station) -> None:
        said = self.stations.get(fact.station_id)
        if said is not None and apart_m(said, fact) > MOVED_M and self.is_ours(fact.station_id):
            self._renew(Renewal("position", fact.t))
        self.stations[fact.station_id] = fact
        if self.base_kind == "own":
            self.senders.put(fact)

    def _see_antenna(self, fact: Antenna) -> None:
        self.antennas[fact.station_id] = fact

    def _see_port(self, fact: Port) -> None:
        self.ports[fact.stream] = fact

    def _see_utc(self, fact: Utc) -> None:
        self.utc = fact

    def _see_planned(self, fact: Planned) -> None:
        self.planned, self.planned_until = fact, fact.t + fact.for_s

    def _see_frozen(self, fact: Frozen) -> None:
        self._frozen_until = fact.t + fact.for_s

    def _see_set_up(self, fact: SetUp) -> None:
        base, before, self.today, self.site = self.site.base, self.today, fact, set_up(self.plan, fact)
        forgotten = (before is None or base != self.site.base) and self._forget_stale(fact.t)
        if (base != self.site.base or forgotten) and fact.run is None:
            self._renew(Renewal("set-up", fact.t))
        self._borne_out.clear()
        self._proven.clear()  # until base-datum has judged by what holds now

    def _hear(self, epoch: Epoch) -> None:
        heard = self._on_air.get(epoch.station_id)
        if heard is None or (epoch.t - heard.last > AWAY_S and epoch.t - heard.last > self.limit_s(epoch.stream)):
            self._on_air[epoch.station_id] = _OnAir(epoch)
        else:
            heard.last = epoch.t

    def _forget_stale(self, t: float) -> bool:
        """A set-up of the base was told: what it said before it went off the air is of the set-up before; True if it had said
        something."""
        numbers = {*self.stations, *self.antennas}
        stale = [
            number
            for number in numbers
            if self.base_of(number) is self.site.base
            and not self._still_says(self.stations.get(number) or self.antennas[number], t)
        ]
        for number in stale:
            self.stations.pop(number, None)
            self.antennas.pop(number, None)
        return bool(stale)

    def _still_says(self, said: Station | Antenna, t: float) -> bool:
        """True while its base is on the air, and has been ever since it said this."""
        heard = self._on_air.get(said.station_id)
        if heard is not None and heard.since - said.t > AWAY_S:
            return False
        return t - max(said.t, heard.last if heard is not None else said.t) <= self.limit_s(said.stream)

    def _renew(self, renewal: Renewal) -> None:
        self.renewed = renewal
        self.checks.clear()

    @property
    def station_ids(self) -> frozenset[int] | None:
        """All numbers of the project's bases; None where a base of its has none."""
        return self._named

    def _is_adopted(self, station_id: int) -> bool:
        return self.base_kind != "own" or self._adopted is None or station_id == self._adopted.station_id

    def strangers(self, station_ids: set[int]) -> set[int]:
        """Those of these stations that are not the project's."""
        if self.base_kind == "own" and self._named is not None:
            return station_ids - self._named
        return {number for number in station_ids if not self.is_ours(number)}

    def base_of(self, station_id: int) -> Base | None:
        """The base that sends under this number, None where it is nobody's of the project."""
        if not self.is_ours(station_id):
            return None
        others = (base for base in self.site.other_base if station_id in (base.station_ids or ()))
        return next(others, self.site.base)

    def uses_another_station(self, fix: Fix) -> bool:
        """True if the rover says that it uses a station that is not the project's, and its word counts.

        Receivers put many things in GGA's last field (a caster's number, a constant): it counts once the receiver has used
        one of the project's numbers in this run. Some give the number by its last three digits or its lowest ten bits.
        """
        if fix.station_id in self._called or not fix.station_id or not self._used_ours or self.base_kind != "own":
            return False
        return fix.quality in _CORRECTED_BY_ONE

    def station(self) -> Station | None:
        """The project's station as last broadcast, and of several the one that sends; None while it has not said its place."""
        if self._adopted is not None and (sender := self.stations.get(self._adopted.station_id)) is not None:
            return sender
        if self._named is None and self._adopted is None and len(self.stations) > 1:
            return None  # nothing says yet which of them is ours
        if self.base_kind == "own" and self._named is not None:  # few, where a sender may invent thousands
            ours = [self.stations[number] for number in self._named if number in self.stations]
        else:
            ours = [station for station in self.stations.values() if self.is_ours(station.station_id)]
        return max(ours, key=lambda station: station.t, default=None)

    def where_ours_was(self, station_id: int) -> bool:
        """True if a station says its place and ours said the same: a base that starts anew may have lost its number."""
        theirs, ours = self.stations.get(station_id), self.station()
        if theirs is None or ours is None or ours.station_id == station_id:
            return False
        return apart_m(theirs, ours) <= _SAME_PLACE_M

    def silent_for(self, stream: str, t: float) -> float:
        """Seconds since the line's last usable epoch of the project's station; since the run began, where none has come."""
        epoch = self.last_epoch.get(stream)
        return t - (epoch.t if epoch is not None else self.began_t)

    def usual_interval_s(self, stream: str) -> float | None:
        """The usual time between correction epochs on the line; None until two came.

        By the epochs' own times, which know no jitter, and the lower quartile of the last ones: a line that loses two of three
        has not been told to bring fewer.
        """
        return self._usual_s.get(stream)

    def came_share(self, stream: str, t: float) -> float | None:
        """Of the last epochs that were due on the line, up to `t`, the share that came; None until two came."""
        usual_s, gaps = self._usual_s.get(stream), self._intervals.get(stream)
        if not usual_s or not gaps:
            return None
        silent_s = max(0.0, self.silent_for(stream, t) - usual_s)
        return min(1.0, len(gaps) * usual_s / (sum(gaps) + silent_s))

    def limit_s(self, stream: str, at_least_s: float = LIMIT_S, intervals: float = LIMIT_INTERVALS) -> float:
        """How long the line may be without a usable epoch: 5 s, or three of its usual intervals where that is more."""
        return max(at_least_s, intervals * (self._usual_s.get(stream) or 0.0))

    def age_limit_s(self, at_least_s: float = LIMIT_S) -> float:
        """How old the rover's corrections may be: as `limit_s` of its slowest line, and at least 15 s from a service."""
        if self.base_kind != "own":
            at_least_s = max(at_least_s, NETWORK_AGE_S)
        return max((self.limit_s(stream, at_least_s) for stream in self.correction_streams), default=at_least_s)

    def corrected(self, t: float) -> bool:
        """True while the rover's own words say that it is being corrected, by whatever way."""
        return t <= self.corrected_until()

    def corrected_until(self) -> float:
        """Until when its last words say so, if no more come: fixed, with an age that is then at the limit; else −infinity."""
        fix = self.fix
        if fix is None or fix.quality != FixQuality.RTK_FIXED or fix.age_s is None:
            return -math.inf
        return fix.t + self.age_limit_s() - fix.age_s

    def still_s(self, t: float) -> float | None:
        """For how long the rover has stood at `t`; 0.0 while it walks, None where its positions do not tell, and at a base."""
        motion = self._motions.get(self.fix.stream) if self.fix is not None else None
        return motion.still_s(t) if motion is not None else None

    def stands_from(self) -> float:
        """Whatever positions come, at no moment will `still_s` reach back before this one."""
        return min((motion.stands_from() for motion in self._motions.values()), default=-math.inf)

    def prove(self, station_id: int, agrees: bool | None, apart_m: float = 0.0, *, by_marks: bool = False) -> None:
        """Told by base-datum: what this station broadcasts agrees with the project, or does not, or nothing is known by it
        (None); `by_marks`: other marks bear it out all the same."""
        self._proven[station_id] = agrees, apart_m
        (self._borne_out.add if by_marks else self._borne_out.discard)(station_id)

    def prove_place(self, t: float) -> None:
        """Told by control-check: the rover reads right on a mark, so that the base stands over its own."""
        self.placed_t = t

    def holds(self, since: float, t: float, *, explained: bool) -> bool:
        """True while what began `since` is not raised: the post itself did not run, or the crew has planned an interruption.

        That one `explained` what an absence explains. What is wrong with the corrections that are on the air it holds back
        until they have been back for `BACK_S`, or in the first `BEGINS_S`, in which the base may not be off yet.
        """
        if t < self._frozen_until:
            return True
        if self.planned is None or t >= self.planned_until:
            return False
        if explained:
            return True
        back_t, planned_t = self._on_air_since(t), self.planned.t
        if back_t is None:
            return True
        if back_t > planned_t:
            return t < max(since, back_t) + BACK_S
        return t < max(since + BACK_S, planned_t + BEGINS_S)

    def _on_air_since(self, t: float) -> float | None:
        """Since when corrections have come without the base having been away; None while none come.

        At a base they are its own, whatever its number. Where none come in here, the rover's own words tell that it has some.
        """
        if not self.correction_streams:
            return -math.inf if self.corrected(t) else None
        at_base = self.site.post.role == "base"
        since = (
            heard.since
            for number, heard in self._on_air.items()
            if (at_base or self.is_ours(number)) and t - heard.last <= self.limit_s(heard.stream)
        )
        return min(since, default=None)

    def base_agrees(self) -> bool | None:
        """Whether the coordinate that the project's base broadcasts agrees with the project; None while it is not judged."""
        station = self.station()
        return self._proven.get(station.station_id, _UNPROVEN)[0] if station is not None else None

    def judged(self, station_id: int) -> bool:
        """True where base-datum has judged what this station broadcasts, whatever came of it."""
        return station_id in self._proven

    def proven_right(self) -> bool:
        """True while the coordinate that the project's base broadcasts agrees with the project, or other marks bear it out:
        nothing may blame it."""
        if self.base_agrees():
            return True
        station = self.station() if self._borne_out else None
        return station is not None and station.station_id in self._borne_out

    def agreement_m(self) -> float | None:
        """How far the coordinate that is proven right is from the project's, straight; None while none is."""
        station = self.station()
        return self._proven[station.station_id][1] if station is not None and self.base_agrees() else None

    def port_gone(self, stream: str) -> bool:
        """True while the line's port is lost, or has never been there."""
        port = self.ports.get(stream)
        return port is not None and port.state in ("lost", "waiting")

    def utc_at(self, t: float) -> dt.datetime | None:
        """UTC of the instant `t`, by the receivers' word; None while none has said it."""
        return self.utc.utc + dt.timedelta(seconds=t - self.utc.t) if self.utc else None

    def distance_km(self) -> float | None:
        """Rover to base, straight (chord), from the rover's last position and the base's broadcast one."""
        fix, station = self.fix, self.station()
        if fix is None or station is None or fix.latitude is None or fix.longitude is None:
            return None
        rover = _rough_ecef(fix.latitude, fix.longitude, fix.height_m or 0.0)
        return math.dist(rover, (station.x_m, station.y_m, station.z_m)) / 1000.0

    def place(self) -> tuple[float, float] | None:
        """Where the post is, degrees north and east: as its receiver says or else, to about 10 m, as the base does."""
        fix, station = self.fix, self.station()
        if fix is not None and fix.latitude is not None and fix.longitude is not None:
            return fix.latitude, fix.longitude
        if station is None or not (station.x_m or station.y_m):
            return None
        return _rough_place(Ecef(station.x_m, station.y_m, station.z_m))

    def _names(self) -> frozenset[int] | None:
        """All numbers of the project's bases; None where a base of its has none."""
        numbers = [base.station_ids for base in (self.site.base, *self.site.other_base)]
        return None if None in numbers else frozenset().union(*(n for n in numbers if n is not None))

    def _uses_ours(self, fix: Fix) -> bool:
        return fix.station_id in self._called and bool(fix.station_id) and fix.quality in _CORRECTED_BY_ONE

    def _apart_s(self, before: Epoch | None, after: Epoch) -> float | None:
        """Between two epochs, by their own times; by their arrival where these are not said or stand still.

        None for a second set of one epoch: a constellation whose messages do not say the time, the project's second base, or
        somebody else's of the same number, by turns with ours. A time stands still once a third epoch says it.
        """
        timed = self._timed.get(after.stream)
        if after.time_s is None:
            if before is None or (timed is not None and after.t - timed.t <= _LONGEST_INTERVAL_S):
                return None
            return after.t - before.t
        self._timed[after.stream] = after
        if timed is None or timed.time_s is None:
            return None
        apart_s = (after.time_s - timed.time_s) % WEEK_S
        same, self._same_time[after.stream] = self._same_time.get(after.stream, 0), 0
        if 0.0 < apart_s <= _LONGEST_INTERVAL_S:
            return round(apart_s, 3)
        if not apart_s:
            if (timed.station_id, timed.messages) != (after.station_id, after.messages):
                return None
            self._same_time[after.stream] = same + 1
            if not same:
                return None
        return after.t - timed.t

    def _adopt(self, epoch: Epoch) -> None:
        ours = self._adopted
        if self.base_kind == "own" and self._named is not None:
            if epoch.station_id not in self._named:
                return
        elif self.base_kind == "own" and ours is not None and epoch.station_id != ours.station_id:
            left_s = max(LEFT_S, 1.5 * (self.usual_interval_s(ours.stream) or 0.0))
            if epoch.t - ours.t <= left_s:
                return
        self._adopted = epoch


class _OnAir:
    """A station on a line: since when it has been heard without having been away, and the last time."""

    __slots__ = ("last", "since", "stream")

    def __init__(self, epoch: Epoch):
        self.stream = epoch.stream
        self.since = self.last = epoch.t


_UNPROVEN: tuple[bool | None, float] = (None, 0.0)
_CORRECTED_BY_ONE = (FixQuality.RTK_FIXED, FixQuality.RTK_FLOAT)


def _rough_place(ecef: Ecef) -> tuple[float, float]:
    """Latitude and longitude on GRS 80, degrees, of a place near the ground: exact on the ellipsoid, where z / p is
    (1 − e²) tan φ (IOGP 373-7-2, method 9602), and at most 10 m off up to 3 km above it."""
    f = 1 / GRS80.inverse_flattening
    p = math.hypot(ecef.x_m, ecef.y_m)
    return math.degrees(math.atan2(ecef.z_m, (1 - f * (2 - f)) * p)), math.degrees(math.atan2(ecef.y_m, ecef.x_m))


def _rough_ecef(latitude: float, longitude: float, height_m: float) -> Ecef:
    """ECEF metres on the GRS 80 ellipsoid (IOGP 373-7-2, method 9602): for distances only; judgement is PROJ's."""
    a, f = GRS80.a_m, 1 / GRS80.inverse_flattening
    e2 = f * (2 - f)
    phi, lam = math.radians(latitude), math.radians(longitude)
    n = a / math.sqrt(1 - e2 * math.sin(phi) ** 2)
    horizontal = (n + height_m) * math.cos(phi)
    return Ecef(horizontal * math.cos(lam), horizontal * math.sin(lam), (n * (1 - e2) + height_m) * math.sin(phi))
