"""What the post's receiver says: its sentences for each moment, at the rover with its fix, at the base with its place."""

from __future__ import annotations

import datetime as dt
import math

from witnesspost.replay.world import events as ev
from witnesspost.replay.world import nmea
from witnesspost.replay.world.base import with_most
from witnesspost.replay.world.crew import Crew
from witnesspost.replay.world.observe import Observation, Observer
from witnesspost.replay.world.receiver import AUTONOMOUS, DIFFERENTIAL, FIXED, FLOAT, LIMITS, NONE, Receiver
from witnesspost.replay.world.scenario import Scenario
from witnesspost.replay.world.sky import Sky, dop
from witnesspost.replay.world.state import State
from witnesspost.replay.world.world import World, geodetic, moved
from witnesspost.rules.coordinates import Ecef

BASE_QUALITY = 7
"""GGA's "manual input": a base that holds a typed position (NMEA 0183)."""

_MODE = {NONE: "N", AUTONOMOUS: "A", DIFFERENTIAL: "D", FLOAT: "F", FIXED: "R", BASE_QUALITY: "M"}
_SIGMA_BASE_M = (0.01, 0.02)
_EVERY_M = 200.0


class ReceiverOutput:
    """The sentences of one receiver: call `says` in the order of time."""

    def __init__(self, scenario: Scenario, world: World, state: State, sky: Sky, crew: Crew, seed: int) -> None:
        self._scenario = scenario
        self._world = world
        self._state = state
        self._crew = crew
        antenna = world.arp if scenario.at_base else crew.antenna(0.0)
        self._observer = Observer(sky, antenna, seed)
        self._seen: list[Observation] = []
        self._hdop: float | None = None
        self._due_t = 0.0
        self.quality: int = NONE  # these as it said them last
        self.age_s: float | None = None
        self.place: Ecef | None = None
        self.station_id: int | None = None
        self._separation_m: float | None = None
        self._separation_at = (0.0, 0.0)

    def says(self, t: float, receiver: Receiver | None) -> bytes:
        """All sentences for the moment `t`; `receiver` is the rover's, None at the base."""
        out = []
        whole = t == math.floor(t)
        satellites_due = whole and t >= self._due_t
        if satellites_due:
            self._due_t = t + self._scenario.rover.satellites_s
            self._look(t)
        utc = self._utc(t)
        used = len(self._seen)
        if receiver is None:
            place, quality, sigma, age, station = self._state.identity(t).arp_m, BASE_QUALITY, _SIGMA_BASE_M, None, None
        else:
            limited = self._state.active(ev.FixLimit, t)
            solution = receiver.solution(t, used, LIMITS[limited.state] if limited is not None else None)
            quality, sigma, age, station = solution.quality, solution.sigma_m, solution.age_s, solution.station_id
            place = moved(self._crew.antenna(t), solution.error_m)
            if station is not None and self._scenario.rover.says_station is not None:
                station = self._scenario.rover.says_station
        speaks = self._scenario.rover.speaks
        self.quality, self.age_s = quality, age if speaks != "rmc" else None
        self.place, self.station_id = place if quality != NONE else None, station
        latitude: float | None
        longitude: float | None
        latitude, longitude, ellipsoidal = geodetic(place)
        separation = self._separation(latitude, longitude, t)
        height: float | None = ellipsoidal - (separation or 0.0)
        if quality == NONE:
            latitude = longitude = height = separation = None
        speed = self._crew.speed_m_s(t) if receiver is not None else 0.0
        recommended = nmea.rmc(utc, latitude, longitude, speed, None, _MODE[quality])
        if speaks == "rmc":
            out.append(recommended)
        else:
            seen = (min(used, 40), self._hdop, height, separation, age, station)
            if speaks == "gga":
                out.append(nmea.gga(utc, latitude, longitude, quality, *seen))
            else:
                out.append(nmea.gns(utc, latitude, longitude, 4 * _MODE[quality], *seen))
        if whole:
            flat, up = (sigma[0], sigma[1]) if quality != NONE else (None, None)
            out.append(nmea.gst(utc, flat, flat, up))
            if speaks != "rmc":
                out.append(recommended)
            out.append(nmea.zda(utc))
            if receiver is not None:
                out += self._pole(t)
        if satellites_due:
            for system in "GREC":
                out += nmea.gsv(system, self._seen, _CODE[system])
        return b"".join(out)

    def _look(self, t: float) -> None:
        levels, horizon, most = self._state.sky(t)
        if not self._scenario.at_base:
            self._observer.move(self._crew.antenna(t))
        self._seen = with_most(self._observer.observe(t, cn0_offset_db=levels, horizon_deg=horizon), most)
        found = dop(self._seen)
        self._hdop = min(found.hdop, 99.0) if found is not None else None

    def _utc(self, t: float) -> dt.datetime:
        wrong = sum(event.by_s for event in self._state.all_active(ev.Clock, t))
        return self._scenario.start_utc + dt.timedelta(milliseconds=round((t + wrong) * 1000))

    def _separation(self, latitude: float, longitude: float, t: float) -> float | None:
        """What the receiver's own geoid says, as an event has it; a geoid is smooth, so asked anew every 200 m."""
        if self._separation_m is None or math.dist(self._separation_at, (latitude, longitude)) * 111_000 > _EVERY_M:
            self._separation_m = self._world.separation_m(latitude, longitude)
            self._separation_at = (latitude, longitude)
        event = self._state.active(ev.Separation, t)
        if event is None:
            return self._separation_m
        if event.how == "none":
            return None
        return -self._separation_m if event.how == "reversed" else self._separation_m + event.by_m

    def _pole(self, t: float) -> list[bytes]:
        how = self._scenario.rover.tilt
        if how == "none":
            return []
        angle, aligned = self._crew.tilt(t)
        if how == "xdr":
            return [nmea.xdr_tilt(angle * 0.8, angle * 0.6)]
        tilt = self._scenario.site.tilt
        assert tilt is not None
        address, *rest = tilt.sentence.split(",")
        last = max(tilt.angle_field or 0, tilt.aligned_field or 0)
        fields: list[object] = [*rest, *[None] * (last - 1 - len(rest))]
        if tilt.angle_field is not None:
            fields[tilt.angle_field - 2] = f"{angle / tilt.scale:.2f}"
        if tilt.aligned_field is not None:
            fields[tilt.aligned_field - 2] = tilt.aligned_value if aligned else "0"
        return [nmea.sentence(address, *fields)]


_CODE = {"G": "1C", "R": "1C", "E": "1C", "C": "2I"}
