"""A base: what it sends at each epoch, as whole RTCM frames with what a receiver takes from each."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from typing import NamedTuple

from witnesspost.replay.world import rtcm
from witnesspost.replay.world.ephemerides import ephemeris
from witnesspost.replay.world.link import Sent
from witnesspost.replay.world.observe import SIGNALS, Observation, Observer
from witnesspost.replay.world.receiver import EpochHeard, StationHeard
from witnesspost.replay.world.rtcm2 import Rtcm2
from witnesspost.replay.world.scenario import Messages
from witnesspost.replay.world.sky import Sky, Vector
from witnesspost.rules.coordinates import Ecef

BIASES_M = {"1C": 0.0, "1P": 0.0, "2C": 0.0, "2P": 0.0}
INVENTED_RECEIVER = "INVENTED RECEIVER"

_NOT_FOR_ROVERS = {"ssr": (1057, 1058, 1063, 1064), "own": (4090, 4091)}
"""GPS and GLONASS orbits and clocks (RTCM 10403.3, table 3.5-1, from memory); a maker's own, of whatever they are made."""


class Identity(NamedTuple):
    """What the base says of itself. `arp_m` is the broadcast ARP, `error_m` that less the true one (ECEF metres)."""

    station_id: int
    arp_m: Ecef
    error_m: Vector
    antenna_height_m: float
    descriptor: str


class BaseStation:
    """One base under the sky; its antenna really is at `ecef_m`."""

    def __init__(self, sky: Sky, ecef_m: Ecef, seed: int) -> None:
        self.sky = sky
        self._observer = Observer(sky, ecef_m, seed)
        self._rtcm2 = Rtcm2()
        self._rng = random.Random(f"{seed} what no rover reads")

    def move(self, ecef_m: Ecef) -> None:
        """Its antenna is at another place from now on."""
        self._observer.move(ecef_m)

    def observe(
        self,
        t: float,
        cn0_offset_db: float | Mapping[str, float] = 0.0,
        horizon_deg: Callable[[float], float] | None = None,
    ) -> list[Observation]:
        """What its antenna tracks at `t`: call in order of time."""
        return self._observer.observe(t, cn0_offset_db=cn0_offset_db, horizon_deg=horizon_deg)

    def frames(self, t: float, who: Identity, messages: Messages, seen: list[Observation], epoch_t: float) -> list[Sent]:
        """The frames of the epoch at `t`; the observations say that they are of `epoch_t`."""
        if messages.kind == "rtcm2":
            return [Sent(self._rtcm2.epoch(who.station_id, self.sky.gps_tow_ms(t) / 1000.0, 9, self._rng), None)]
        sent = []
        if due(t, messages.station_s, messages.interval_s):
            sent.append(Sent(_station(who, messages.station), StationHeard(who.station_id, who.error_m)))
        if due(t, messages.antenna_s, messages.interval_s):
            sent.append(Sent(_antenna(who, messages.antenna), None))
        if due(t, messages.bias_s, messages.interval_s):
            sent.append(Sent(rtcm.frame(rtcm.bias_1230(who.station_id, BIASES_M)), None))
        if due(t, messages.text_s, messages.interval_s):
            text = rtcm.text_1029(who.station_id, self.sky.utc(t).replace(microsecond=0), "Kestrel quarry base")
            sent.append(Sent(rtcm.frame(text), None))
        sent += [Sent(rtcm.frame(self._arbitrary(number)), None) for number in messages.also]
        sent += self._ephemerides(t, messages, seen)
        if messages.observations:
            sent += self._observations(t, who.station_id, messages, seen, epoch_t)
        return sent

    def _ephemerides(self, t: float, messages: Messages, seen: list[Observation]) -> list[Sent]:
        """Those of the satellites in view whose turn it is: every satellite has a moment of its own within the interval."""
        sent = []
        for o in seen if messages.ephemerides_s else ():
            turn = (o.prn + 37 * "GREC".index(o.system)) * 1.7 % messages.ephemerides_s
            if due(t - turn, messages.ephemerides_s, messages.interval_s):
                payload = ephemeris(self.sky, o.system, o.prn, t)
                sent += [Sent(rtcm.frame(payload), None)] if payload is not None else []
        return sent

    def _observations(
        self, t: float, station_id: int, messages: Messages, seen: list[Observation], epoch_t: float
    ) -> list[Sent]:
        if messages.single_frequency:
            seen = [first for o in seen if (first := _first_only(o)).signals]
        tow_ms = self.sky.gps_tow_ms(epoch_t)
        if messages.kind in _NOT_FOR_ROVERS:
            return [Sent(rtcm.frame(self._arbitrary(number)), None) for number in _NOT_FOR_ROVERS[messages.kind]]
        if messages.kind == "legacy":
            payloads = [
                rtcm.gps_1004(station_id, tow_ms, seen, synchronous=True),
                rtcm.glonass_1012(station_id, tow_ms, seen),
            ]
        else:
            payloads = rtcm.epoch(int(messages.kind[-1]), station_id, tow_ms, seen, messages.systems)
        payloads = [payload for payload in payloads if _system(payload) not in messages.without]
        # The last message closes the set, whatever became of those before it: that is what a receiver waits for.
        heard = EpochHeard(station_id, epoch_t, not messages.single_frequency)
        last = len(payloads) - 1
        return [Sent(rtcm.frame(payload), heard if i == last else None) for i, payload in enumerate(payloads)]

    def _arbitrary(self, number: int) -> bytes:
        return (number << 12 | self._rng.getrandbits(12)).to_bytes(3, "big") + self._rng.randbytes(90)


def _system(payload: bytes) -> str:
    """The constellation of an observation message, by its number (RTCM 10403.3, table 3.5-1)."""
    number = payload[0] << 4 | payload[1] >> 4
    legacy = {1004: "G", 1012: "R"}
    return legacy.get(number) or next(system for system, first in rtcm.MSM_BASE.items() if first < number < first + 8)


def due(t: float, every_s: float, interval_s: float) -> bool:
    """True at the epochs, `interval_s` apart, at which something that comes `every_s` seconds is sent; 0 is never."""
    if not every_s:
        return False
    return math.floor(t / every_s + 1e-9) > math.floor((t - interval_s) / every_s + 1e-9)


def with_most(seen: list[Observation], satellites: int | None) -> list[Observation]:
    """The highest of these satellites, so many at most, in their order."""
    if satellites is None or len(seen) <= satellites:
        return seen
    keep = sorted(seen, key=lambda o: -o.elevation_deg)[:satellites]
    return [o for o in seen if o in keep]


def _first_only(o: Observation) -> Observation:
    first = [s for s in o.signals if s.code == SIGNALS[o.system][0]]
    return Observation(o.system, o.prn, o.azimuth_deg, o.elevation_deg, o.channel, first)


def _station(who: Identity, message: int) -> bytes:
    if message == 4094:
        number_and_id = message << 12 | who.station_id
        return rtcm.frame(number_and_id.to_bytes(3, "big") + bytes(round(abs(m) * 1000) % 251 for m in who.arp_m))
    height = who.antenna_height_m if message == 1006 else None
    return rtcm.frame(rtcm.station(who.station_id, *who.arp_m, height))


def _antenna(who: Identity, message: int) -> bytes:
    serial = "7041" if message != 1007 else None
    receiver = INVENTED_RECEIVER if message == 1033 else None
    return rtcm.frame(rtcm.antenna(who.station_id, who.descriptor, serial, receiver))
