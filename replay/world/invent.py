"""Invention: a scenario's streams, byte by byte, from one consistent world, with the truth lines that go with them.

    sky ─► base ─► link ─► [ rover's receiver ◄─ crew ] ─► records in the order of t, truth lines among them

The post at the base hears what the base sends on a wire; the post at the rover hears what the radio lets through, and
its receiver. `t` is seconds since `start_utc`, to the millisecond. The same scenario and seed give the same records.
"""

from __future__ import annotations

import heapq
import math
import random
from collections.abc import Callable, Iterator
from pathlib import Path

from witnesspost.daemon.stream.inbox import Chunk
from witnesspost.replay.play.tape import Header, Record, Truth
from witnesspost.replay.world import events as ev
from witnesspost.replay.world.base import BaseStation, Identity, with_most
from witnesspost.replay.world.controller import Controller
from witnesspost.replay.world.crew import Crew
from witnesspost.replay.world.link import Arrival, Link
from witnesspost.replay.world.receiver import EpochHeard, Receiver, StationHeard
from witnesspost.replay.world.rover import ReceiverOutput
from witnesspost.replay.world.scenario import Scenario, ScenarioError
from witnesspost.replay.world.sky import Sky, local_axes
from witnesspost.replay.world.state import State
from witnesspost.replay.world.truth import NO_OBSERVATIONS, Silence, is_ours, sheet_difference, truths
from witnesspost.replay.world.world import World, shifted
from witnesspost.rules import facts
from witnesspost.rules.coordinates import Enu

WIRE_BITS_A_BYTE = 10
NOISE_EVERY_S = 0.5
LOST_SHARE = 0.36
"""Of the epochs of two minutes, lost by chance: surely over a third."""

NEIGHBOUR_LATENCY_S = 0.55
"""The neighbour's base sends in the pauses of ours, as two bases on one channel that can be told apart do."""


def invent(scenario: Scenario, seed: int | None = None) -> Iterator[Record]:
    """All records of the scenario: bytes and told facts in the order of `t`, truth lines as they become known.

    `seed` stands in for the scenario's own. The last record is an empty chunk at the end, so that time runs on to there.
    """
    return Invention(scenario, scenario.seed if seed is None else seed).records()


def header(scenario: Scenario) -> Header:
    """The first line of the scenario's tape."""
    note = f"{scenario.name}: {scenario.note}"
    streams = [stream.name for stream in scenario.site.stream]
    return Header(streams=streams, note=note, site=scenario.site_table, scenario=scenario.name)


def invent_day(
    scenario: Scenario, points: str | Path, seed: int | None = None
) -> tuple[Iterator[Record], Callable[[], tuple[int, Path]]]:
    """The scenario's records, and what to call when they are through: it writes the controller's field file to `points`, the
    truth beside it, and gives how many points and the truth's path. Raises ScenarioError where no controller stores any."""
    if not scenario.controller.points:
        raise ScenarioError(scenario.name, ["controller.points: missing; expected how many points its controller stores"])
    invention = Invention(scenario, scenario.seed if seed is None else seed)
    return invention.records(), lambda: invention.controller.write(points)


class Invention:
    """One run of one scenario: once its `records` are through, its `controller` has all that it stores."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario = scenario
        self.seed = seed
        self.world = World(scenario)
        self.state = State(scenario, self.world, seed)
        self.sky = Sky(scenario.start_utc)
        self.base = BaseStation(self.sky, self.world.arp, seed * 7919 + 1)
        self.crew = Crew(scenario, self.world, random.Random(f"{seed} crew"))
        self.receiver = Receiver(
            self.world.axes, random.Random(f"{seed} receiver"), of_a_service=scenario.site.base.kind != "own"
        )
        self.rng = random.Random(f"{seed} line")
        self.corrections = self._stream("corrections")
        self.positions = self._stream("positions")
        self.output = ReceiverOutput(scenario, self.world, self.state, self.sky, self.crew, seed * 7919 + 2)
        self.controller = Controller(scenario, self.world, self.state, self.crew, random.Random(f"{seed} controller"))
        self.link = Link(self._bytes_per_s(0.0), random.Random(f"{seed} link"), scenario.link.jitter_s)
        self.silence = Silence(scenario.messages.interval_s, of_a_service=scenario.site.base.kind != "own")
        self._neighbours: dict[int, BaseStation] = {}
        self._neighbour_link = Link(self._bytes_per_s(0.0), random.Random(f"{seed} neighbour"))
        self._heap: list[tuple[float, int, Record]] = []
        self._order = 0
        self._heard: list[tuple[float, int, object]] = []

    def records(self) -> Iterator[Record]:
        """All that happens, in order."""
        scenario = self.scenario
        yield from truths(scenario)
        self._told()
        interval = scenario.messages.interval_s
        next_epoch = 0.0
        for second in range(math.ceil(scenario.duration_s)):
            while next_epoch < second + 1:
                self._epoch(round(next_epoch, 3))
                next_epoch += interval
                interval = self.state.messages(next_epoch).interval_s
            self._lost_line(float(second))
            for step in range(scenario.rover.position_hz):
                self._position(second + step / scenario.rover.position_hz)
            yield from self._until(float(second + 1))
            yield from self._watch(float(second + 1))
        yield from self._until(scenario.duration_s)
        yield Chunk(t=scenario.duration_s, stream=scenario.site.stream[0].name, data=b"")

    def _until(self, t: float) -> Iterator[Record]:
        """What has come until `t`, less what a cable that is out would have brought."""
        pulled = [e for e in self.scenario.events if isinstance(e, ev.PortLost)]
        heap = self._heap
        while heap and heap[0][0] < t:
            record = heapq.heappop(heap)[2]
            if isinstance(record, Chunk) and pulled and any(e.stream == record.stream and e.during(record.t) for e in pulled):
                continue
            yield record

    def _push(self, record: Chunk | facts.Fact) -> None:
        self._order += 1
        heapq.heappush(self._heap, (record.t, self._order, record))

    def _chunk(self, t: float, stream: str, data: bytes) -> None:
        port = stream
        if self.state.active(ev.PlugsSwapped, t) is not None:
            port = {self.corrections: self.positions, self.positions: self.corrections}.get(stream) or stream
        self._push(Chunk(t=round(t, 3), stream=port, data=data))

    def _told(self) -> None:
        """The facts from outside the streams that the events bring."""
        for event in self.scenario.events:
            t = round(event.at_s, 3)
            if isinstance(event, ev.PortLost):
                self._push(facts.Port(t=t, stream=event.stream, state="lost", reason="device disappeared"))
                if event.until_s < self.scenario.duration_s:
                    self._push(facts.Port(t=round(event.until_s, 3), stream=event.stream, state="back"))
            elif isinstance(event, ev.Planned):
                self._push(facts.Planned(t=t, stream="", for_s=event.lasts_s, why=event.why))
            elif isinstance(event, ev.Acknowledge):
                self._push(facts.Acknowledge(t=t, stream="", rule=event.rule))
            elif isinstance(event, ev.Shelve):
                self._push(facts.Shelve(t=t, stream="", for_s=event.lasts_s, rule=event.rule))
            elif isinstance(event, ev.SetUp):
                high, pole = event.antenna_height_m, event.pole_height_m
                self._push(facts.SetUp(t=t, stream="", point=event.point, antenna_height_m=high, pole_height_m=pole))
            elif isinstance(event, ev.CheckIn):
                self._push(facts.CheckIn(t=t, stream="", point=event.point))
            elif isinstance(event, ev.Health):
                said = {key: getattr(event, key) for key in facts.Health.__struct_fields__ if hasattr(event, key)}
                self._push(facts.Health(t=t, stream="", **said))

    def _stream(self, carries: str) -> str | None:
        return next((s.name for s in self.scenario.site.stream if carries in s.carries), None)

    def _bytes_per_s(self, t: float) -> float:
        stream = next((s for s in self.scenario.site.stream if s.name == self.corrections), None)
        wire = (stream.baud if stream is not None else 38400) / WIRE_BITS_A_BYTE
        return wire if self.scenario.at_base else min(wire, self.state.air_bytes_per_s(t))

    def _epoch(self, t: float) -> None:
        """The base's epoch at `t`, and the neighbour's: sent, and heard as the line lets it through."""
        if t >= self.scenario.duration_s or (self.corrections is None and self.scenario.at_base):
            return
        scenario, state = self.scenario, self.state
        messages = state.messages(t)
        self.silence.interval_s = messages.interval_s
        heard = self._air(t)
        off = state.active(ev.BaseOff, t)
        lost = state.lost_share(t)
        if (off is None or off.half_frame) and not (lost and self.rng.random() < lost):
            levels, horizon, most = state.sky(t) if scenario.at_base else (0.0, None, None)
            self.base.move(state.antenna(t))
            seen = with_most(self.base.observe(t, levels, horizon), most) if messages.observations else []
            frames = self.base.frames(t, state.identity(t), messages, seen, self._epoch_time(t))
            if off is not None:
                frames = state.half_of(frames, t, messages.interval_s)
            loud = state.neighbour(t)
            if heard and frames and not (loud is not None and loud.instead and not scenario.at_base):
                self.link.bytes_per_s = self._bytes_per_s(t)
                bad = state.active(ev.BadFrames, t)
                share = bad.share if bad is not None else scenario.link.bad_frames_per_min / 60 / max(len(frames), 1)
                pieces, arrivals = self.link.send(
                    t + scenario.base.latency_s,
                    frames,
                    gone=None if scenario.at_base else state.faded,
                    bad_share=share,
                    bit_error_rate=0.0 if scenario.at_base else state.bit_error_rate(t),
                    delay_s=self._delay(t),
                )
                self._arrive(pieces, arrivals)
        neighbour = state.neighbour(t)
        if neighbour is not None and heard and not scenario.at_base:
            self._neighbour_epoch(t, neighbour)

    def _air(self, t: float) -> bool:
        """True while frames can get through at all."""
        noise = self.state.active(ev.Noise, t)
        if noise is not None and noise.stream == self.corrections:
            return False
        broken = self.state.active(ev.BadFrames, t) is not None  # far off something may still come
        return self.scenario.at_base or (self.state.air(t) == "same" and (broken or not self._out_of_range(t)))

    def _out_of_range(self, t: float) -> bool:
        reach = self.state.horizon_m()
        return reach is not None and math.dist(self.crew.antenna(t), self.world.mark) > reach

    def _delay(self, t: float) -> float:
        slow = self.state.active(ev.SlowLink, t)
        if slow is None:
            return 0.0
        part = min(1.0, (t - slow.at_s) / slow.over_s)
        return slow.to_s * part * (0.9 + 0.2 * self.rng.random())

    def _epoch_time(self, t: float) -> float:
        old = self.state.active(ev.OldEpochs, t)
        return t - old.by_s if old is not None else t

    def _neighbour_epoch(self, t: float, neighbour: ev.Neighbour) -> None:
        who = self._neighbour_identity(neighbour)
        station = self._neighbours.get(neighbour.station_id)
        if station is None:
            station = BaseStation(self.sky, who.arp_m, self.seed * 7919 + 3 + neighbour.station_id)
            self._neighbours[neighbour.station_id] = station
        frames = station.frames(t, who, self.scenario.messages, station.observe(t), t)
        self._neighbour_link.bytes_per_s = self.link.bytes_per_s * 4
        pieces, arrivals = self._neighbour_link.send(t + NEIGHBOUR_LATENCY_S, frames, gone=self.state.faded)
        self._arrive(pieces, arrivals)

    def _neighbour_identity(self, neighbour: ev.Neighbour) -> Identity:
        """What the neighbour's base says of itself: its antenna stands 1.5 m high, or as the site file says."""
        height_m, antenna = 1.5, ""
        if neighbour.point is None:
            place = self.world.from_base(neighbour.east_m, neighbour.north_m, height_m)
        else:
            for other in self.scenario.site.other_base:
                if other.occupies == neighbour.point:
                    height_m, antenna = other.antenna_height_m, other.antenna
            mark = self.world.point(neighbour.point)
            place = shifted(mark, local_axes(mark), Enu(0.0, 0.0, height_m))
        return Identity(neighbour.station_id, place, (0.0, 0.0, 0.0), height_m, antenna or "INVENTED ANTENNA NONE")

    def _gathered(self, t: float) -> float:
        """When what comes out of the air at `t` is handed over."""
        burst_s = self.scenario.link.burst_s
        return math.ceil(t / burst_s) * burst_s if burst_s else t

    def _arrive(self, pieces: list[tuple[float, bytes]], arrivals: list[Arrival]) -> None:
        if self.scenario.link.burst_s and not self.scenario.at_base:
            pieces = [(self._gathered(t), data) for t, data in pieces]
            arrivals = [Arrival(self._gathered(arrival.t), arrival.meaning) for arrival in arrivals]
        # A post that hears positions alone has no line for them: they reach the rover's receiver all the same.
        line = None if pieces and self.state.active(ev.OtherWay, pieces[0][0]) is not None else self.corrections
        if line is not None:
            for t, data in pieces:
                self._chunk(t, line, data)
        pulled = [e for e in self.scenario.events if isinstance(e, ev.PortLost) and e.stream == self.corrections]
        for arrival in arrivals:
            if any(e.during(arrival.t) for e in pulled):
                continue
            heard = arrival.meaning
            on_its_port = line is not None and self.state.active(ev.PlugsSwapped, arrival.t) is None
            if isinstance(heard, EpochHeard) and on_its_port and self.state.is_ours(heard.station_id):
                self.silence.epoch(round(arrival.t, 3))
            if isinstance(heard, EpochHeard | StationHeard):
                self._order += 1
                heapq.heappush(self._heard, (arrival.t, self._order, heard))

    def _lost_line(self, second: float) -> None:
        """Bytes that are not frames: noise on a line, or a radio that cannot make sense of what it hears."""
        streams: dict[str, float] = {}
        for event in self.state.all_active(ev.Noise, second):
            streams[event.stream] = event.bytes_per_s
        if not self.scenario.at_base and self.corrections is not None and self.state.air(second) == "garbled":
            streams[self.corrections] = 90.0
        for stream, rate in streams.items():
            for step in range(round(1 / NOISE_EVERY_S)):
                t = second + (step + 0.4) * NOISE_EVERY_S
                self._chunk(t, stream, self.rng.randbytes(max(1, round(rate * NOISE_EVERY_S))))

    def _position(self, t: float) -> None:
        """What the post's receiver says for the moment `t`."""
        if self.positions is None or t >= self.scenario.duration_s:
            return
        while self._heard and self._heard[0][0] <= t:
            at, _order, heard = heapq.heappop(self._heard)
            if self.state.active(ev.Deaf, at) is None:
                self.receiver.hear(at, heard)
        noise = self.state.active(ev.Noise, t)
        if (noise is not None and noise.stream == self.positions) or (self.scenario.at_base and self.state.is_off(t)):
            return
        if not self.scenario.at_base and self.state.active(ev.RoverOff, t) is not None:
            self.receiver.restart()
            return
        said = self.output.says(t, None if self.scenario.at_base else self.receiver)
        if said:
            self._chunk(t + self.scenario.rover.latency_s, self.positions, said)
            if self.output.place is not None:
                self.controller.hears(t, self.output.place, self.output.quality, self.output.station_id)
            if not self.scenario.at_base:
                self.silence.rover_says(t + self.scenario.rover.latency_s, self.output.quality, self.output.age_s)

    def _watch(self, t: float) -> Iterator[Truth]:
        """The truth about silence up to `t`."""
        if self.corrections is None:
            return
        pulled = next(
            (e for e in self.scenario.events if isinstance(e, ev.PortLost) and e.stream == self.corrections and e.during(t)),
            None,
        )
        # The end of a broken frame may swallow the whole one after it: when such a silence ends is the framer's to say.
        noisy = self.state.active(ev.BadFrames, t) or self.state.active(ev.BitErrors, t)
        self.silence.flaps = self.silence.flaps or noisy is not None
        planned = any(isinstance(e, ev.Planned) and e.at_s <= t < e.at_s + e.lasts_s for e in self.scenario.events)
        # What swapped plugs bring follows from the event alone (`truths`).
        silent = any((e.silent or isinstance(e, ev.PlugsSwapped)) and e.during(t) for e in self.scenario.events)
        if not silent:
            cause, because_of = self._why_silent(t)
            yield from self.silence.due_at(
                t, cause, self._how_lost(pulled) if pulled is not None else None, planned, because_of
            )

    def _how_lost(self, pulled: ev.PortLost) -> tuple[float, str]:
        """Since when the port is gone, and whether another went with it."""
        others = [e for e in self.scenario.events if isinstance(e, ev.PortLost) and e.stream != pulled.stream]
        with_it = any(other.at_s == pulled.at_s and other.until_s == pulled.until_s for other in others)
        return pulled.at_s, "ports-lost" if with_it else "port-lost"

    def _why_silent(self, t: float) -> tuple[str | None, str | None]:
        """The cause of a silence at `t`, and the rule that explains it if one does."""
        state = self.state
        renamed = state.active(ev.StationIdSet, t)
        neighbour = state.neighbour(t)
        if (neighbour is not None and not is_ours(self.scenario, neighbour)) or (
            renamed is not None and not state.is_ours(renamed.to)
        ):
            return "another-base", "wrong-channel"
        if state.active(ev.Noise, t) is not None:
            return "line-noise", None
        if state.active(ev.BadFrames, t) is not None or state.bit_error_rate(t) > 1e-3:
            return "out-of-range" if not self.scenario.at_base and self._out_of_range(t) else "weak-link", None
        if not state.is_off(t) and not state.messages(t).observations:
            return "station-messages-only", None
        if not state.is_off(t) and state.messages(t).kind in NO_OBSERVATIONS:
            return "other-format", None
        if self.scenario.site.base.kind == "network":
            return "service-silent", None
        comes_and_goes = self.silence.comes_and_goes(t)
        if self.scenario.at_base:
            return "comes-and-goes" if comes_and_goes else "line-silent", None
        if self._out_of_range(t):
            return "out-of-range", None
        if comes_and_goes:
            return "comes-and-goes", None
        air = state.air(t)
        if air == "garbled":
            return "line-noise", None
        if sheet_difference(self.scenario.site) is not None and air == "silent":
            return "radio-settings-differ", None
        last = self.silence.last_t or 0.0
        losing = [state.lost_share(last - before) for before in (0.0, 30.0, 60.0, 90.0, 120.0)]
        return "weak-link" if min(losing) > LOST_SHARE else "line-silent", None
