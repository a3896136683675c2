"""What is true at a moment of a scenario: its events, resolved into the state that the inventors ask for."""

from __future__ import annotations

import functools
import random
from bisect import bisect_right
from collections.abc import Callable
from typing import TypeVar

import msgspec
from witnesspost.replay.world.base import Identity
from witnesspost.replay.world.blunders import broadcast_error
from witnesspost.replay.world.events import (
    AntennaHeight,
    AntennaSet,
    BaseOff,
    BitErrors,
    Broadcast,
    Event,
    Fade,
    Levels,
    LostEpochs,
    MessageSet,
    Neighbour,
    Radio,
    SkyBlocked,
    StationAt,
    StationIdSet,
)
from witnesspost.replay.world.link import Sent, corrected
from witnesspost.replay.world.scenario import Messages, Scenario
from witnesspost.replay.world.sky import Vector
from witnesspost.replay.world.world import World, minus, moved, plus, shifted
from witnesspost.rules.book.radio import radio_horizon_km
from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.site.model import RadioTable

AIR_RATE_BPS = 9600
"""The air rate of radios whose tables name none."""

E = TypeVar("E", bound=Event)


class State:
    """One scenario's state at any moment; the answers change only at `bounds`."""

    def __init__(self, scenario: Scenario, world: World, seed: int) -> None:
        self.scenario = scenario
        self.world = world
        self._seed = seed
        bounds = {0.0, *(e.at_s for e in scenario.events), *(e.until_s for e in scenario.events)}
        self.bounds = sorted(bounds)
        self.fades = _fades(scenario, seed)
        self._fade_begins = [begin for begin, _end in self.fades]

    def active(self, kind: type[E], t: float) -> E | None:
        """The latest event of this kind that lasts at `t`."""
        return next((e for e in reversed(self.scenario.events) if type(e) is kind and e.during(t)), None)

    def all_active(self, kind: type[E], t: float) -> list[E]:
        """All events of this kind that last at `t`, in order."""
        return [e for e in self.scenario.events if type(e) is kind and e.during(t)]

    def is_off(self, t: float) -> bool:
        """True while the base is off."""
        return self.active(BaseOff, t) is not None

    def messages(self, t: float) -> Messages:
        """What the base sends."""
        changes = {
            key: value
            for event in self.all_active(MessageSet, t)
            for key, value in msgspec.structs.asdict(event).items()
            if key in Messages.__struct_fields__ and value is not None
        }
        return msgspec.structs.replace(self.scenario.messages, **changes) if changes else self.scenario.messages

    def identity(self, t: float) -> Identity:
        """What the base says of itself."""
        scenario, world = self.scenario, self.world
        station_id = scenario.base.station_id
        if station_id is None:
            station_id = min(scenario.site.base.station_ids or {0})
        elsewhere = self.active(StationAt, t)
        if elsewhere is not None and elsewhere.to is not None:
            station_id = elsewhere.to
        renamed, antenna = self.active(StationIdSet, t), self.active(AntennaSet, t)
        descriptor = scenario.base.antenna if scenario.base.antenna is not None else scenario.site.base.antenna
        height, error = world.antenna_height_m, self.broadcast_error(t)
        told = self.active(AntennaHeight, t)
        if told is not None:
            error = plus(error, minus(shifted(world.arp, world.axes, Enu(0.0, 0.0, told.height_m - height)), world.arp))
            height = told.height_m
        return Identity(
            renamed.to if renamed is not None else station_id,
            moved(self.antenna(t), error),
            error,
            height,
            antenna.descriptor if antenna is not None else descriptor or "INVENTED ANTENNA NONE",
        )

    def antenna(self, t: float) -> Ecef:
        """Where the base's antenna really is: a service's and a moving one do not stay."""
        place = self.active(StationAt, t)
        if place is None:
            return self.world.arp
        since = t - place.at_s
        east, north = place.east_m + since * place.east_m_s, place.north_m + since * place.north_m_s
        return shifted(self.world.arp, self.world.axes, Enu(east, north, 0.0))

    def broadcast_error(self, t: float) -> Vector:
        """Broadcast less true ARP, ECEF metres, as the `broadcast` events have it."""
        error = (0.0, 0.0, 0.0)
        for event in self.all_active(Broadcast, t):
            error = plus(error, self._error_of(event))
        return error

    @functools.lru_cache(maxsize=64)  # noqa: B019 (one state a run, and it goes with the run)
    def _error_of_index(self, index: int) -> Vector:
        event = self.scenario.events[index]
        assert isinstance(event, Broadcast)
        return broadcast_error(event, self.scenario, self.world, random.Random(f"{self._seed} blunder {index}"))

    def _error_of(self, event: Broadcast) -> Vector:
        return self._error_of_index(next(i for i, e in enumerate(self.scenario.events) if e is event))

    def radio(self, of: str, t: float) -> RadioTable:
        """What the radio of one end is really set to."""
        radios = self.scenario.site.radio
        sheet = radios.base if of == "base" else radios.rover
        for event in self.all_active(Radio, t):
            if event.of == of:
                changes = {
                    key: value
                    for key, value in msgspec.structs.asdict(event).items()
                    if key in RadioTable.__struct_fields__ and value is not None
                }
                sheet = msgspec.structs.replace(sheet, **changes)
        return sheet

    def air(self, t: float) -> str:
        """How the two radios get on: "same", "silent" (frequencies differ), or "garbled"."""
        base, rover = self.radio("base", t), self.radio("rover", t)
        if _differ(base.frequency_mhz, rover.frequency_mhz):
            return "silent"
        pairs = (
            (base.protocol, rover.protocol),
            (base.forward_error_correction, rover.forward_error_correction),
            (base.air_rate_bps, rover.air_rate_bps),
        )
        return "garbled" if any(_differ(*pair) for pair in pairs) else "same"

    def air_bytes_per_s(self, t: float) -> float:
        """Bytes a second that the base's radio puts on the air: half with forward error correction."""
        radio = self.radio("base", t)
        rate = self.scenario.link.air_rate_bps or radio.air_rate_bps or AIR_RATE_BPS
        return rate / 8.0 / (2.0 if radio.forward_error_correction else 1.0)

    def bit_error_rate(self, t: float) -> float:
        """The share of bits that come out of the rover's radio wrong."""
        event = self.active(BitErrors, t)
        if event is None:
            return 0.0
        return corrected(event.rate) if self.radio("base", t).forward_error_correction else event.rate

    def horizon_m(self) -> float | None:
        """How far the radios reach, None where no antenna heights say."""
        base, rover = self.scenario.site.radio.base, self.scenario.site.radio.rover
        if base.antenna_above_ground_m is None or rover.antenna_above_ground_m is None:
            return None
        return 1000.0 * radio_horizon_km(base.antenna_above_ground_m, rover.antenna_above_ground_m)

    def faded(self, begin: float, end: float) -> tuple[float, float] | None:
        """The first fade that touches the stretch from `begin` to `end`."""
        index = bisect_right(self._fade_begins, end) - 1
        if index >= 0 and self.fades[index][1] > begin:
            return self.fades[index]
        return None

    def half_of(self, frames: list[Sent], t: float, interval_s: float) -> list[Sent]:
        """What still goes out of the moment at which the base is switched off: half of its longest frame, or nothing."""
        off = self.active(BaseOff, t)
        if off is None or not off.half_frame or t - off.at_s >= interval_s or not frames:
            return []
        longest = max(frames, key=lambda sent: len(sent.data)).data
        return [Sent(longest[: len(longest) // 2], None)]

    def is_ours(self, station_id: int) -> bool:
        """True of the numbers of all bases of the project; a service's or a moving base's may be any."""
        bases = [self.scenario.site.base, *self.scenario.site.other_base]
        return bases[0].kind != "own" or any(one.station_ids is None or station_id in one.station_ids for one in bases)

    def lost_share(self, t: float) -> float:
        """The share of epochs that are lost at `t`."""
        event = self.active(LostEpochs, t)
        return event.share if event is not None else 0.0

    def neighbour(self, t: float) -> Neighbour | None:
        """The neighbour's base that is on the channel."""
        return self.active(Neighbour, t)

    def sky(self, t: float) -> tuple[dict[str, float] | float, Callable[[float], float] | None, int | None]:
        """What the post's antenna suffers: C/N0 offsets in dB, the horizon by azimuth, the most satellites."""
        levels: dict[str, float] | float = 0.0
        for event in self.all_active(Levels, t):
            levels = levels if isinstance(levels, dict) else {}
            for system in event.systems:
                levels[system] = levels.get(system, 0.0) + event.by_db
        blocked = self.active(SkyBlocked, t)
        if blocked is None:
            return levels, None, None
        above, begin, end = blocked.above_deg, blocked.from_deg, blocked.to_deg

        def horizon(azimuth: float) -> float:
            return above if (azimuth - begin) % 360.0 <= (end - begin) % 360.0 or end - begin >= 360.0 else 0.0

        return levels, horizon if above else None, blocked.satellites


def _differ(one: object, other: object) -> bool:
    return one is not None and other is not None and one != other


def _fades(scenario: Scenario, seed: int) -> list[tuple[float, float]]:
    """All stretches in which nothing comes through, in order and apart."""
    fades = [(e.at_s, e.until_s) for e in scenario.events if isinstance(e, Fade)]
    every, rng = scenario.link.fade_every_s, random.Random(f"{seed} fades")
    t = rng.expovariate(1 / every) if every else scenario.duration_s
    while t < scenario.duration_s:
        fades.append((t, t + rng.uniform(1.0, scenario.link.fade_to_s)))
        # Two fades one on the other would be one long one, which is another story than the scenario tells.
        t = fades[-1][1] + 5.0 + rng.expovariate(1 / every)
    return sorted(fades)
