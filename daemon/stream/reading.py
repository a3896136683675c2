"""All lines of a site: bytes in, facts out. Each has its framer, and a decoder that sums the traffic up between turns.

    feed(t, stream, data) ─► framer ─► decoder ─► facts ─┐
    until(t) ──► every 0.2 s of t: each line's traffic ──┴─► a Read, in the order in which the rules are to have it

The traffic that only a log's table reads is handed over every ten seconds, as its row ends. What is read does not hang on
what the rules say of it: a replay may read ahead of them, and keep what it read.
"""

from __future__ import annotations

import math

from witnesspost.daemon.stream.decoding import Decoder
from witnesspost.daemon.stream.framing import Framer
from witnesspost.rules.facts import TRAFFIC_ROW_S, Antenna, Fact, ReadingFailed, Station
from witnesspost.rules.site.model import Site

GRID_MS = 200
"""The rules are judged at each such moment."""
JUDGED_AT_ONCE = frozenset((Antenna, Station))
"""Facts that are rare, and raise alerts without an on-delay: the rules are asked when they come, not on the grid's next."""
_ROW_MS = 1000 * TRAFFIC_ROW_S
SILENT_LINE_MS = 3000  # a line that is silent for so long will not finish the frame that it began

Came = tuple[float, str, bytes]
"""A Chunk, or as plain as a log has it: `t`, stream and bytes."""
Read = tuple[int, list[tuple[int, list[Fact]]], Came | Fact | None, list[Fact], list[Fact] | None]
"""What one input comes to: up to which millisecond; what is to be told at moments of the grid until then, before the rules are
judged there; the input, where there is one; what its bytes say; and what else is told before the rules are judged at once, None
where they are not. A plain tuple, of which there are as many as reads of a port."""


class Line:
    """One stream's way from bytes to facts; its traffic is summed up every so many milliseconds, 0 where nobody reads it."""

    def __init__(self, name: str, decoder: Decoder, summed_every_ms: int):
        self.name = name
        self.framer = Framer()
        self.decoder = decoder
        self.summed_every_ms = summed_every_ms
        self.last_ms = 0

    def read(self, now_ms: int, data: bytes | None) -> list[Fact]:
        """Bytes into facts (None: what waits is given up). A fault here costs these bytes their facts, never the raw log."""
        t = now_ms / 1000.0
        try:
            return self.decoder.decode(t, self.framer.flush() if data is None else self.framer.feed(data))
        except Exception as error:
            self.framer = Framer()
            return [ReadingFailed(t=t, stream=self.name, error=f"{type(error).__name__}: {error}")]


class Reading:
    """All `lines` of a site, by the pipeline's clock, which never steps back; milliseconds.

    `wanted` holds the kinds of facts that somebody reads. The rules read the traffic of the lines of corrections alone; a log
    has that of all (`all_traffic`).
    """

    def __init__(self, site: Site, wanted: frozenset[type[Fact]], begins_t: float, *, all_traffic: bool = False):
        self.lines = {
            s.name: Line(
                s.name,
                Decoder(s.name, site.tilt, wanted),
                GRID_MS if "corrections" in s.carries else _ROW_MS if all_traffic else 0,
            )
            for s in site.stream
        }
        self.now_ms = round(begins_t * 1000)
        self._turned_ms = grid_before(self.now_ms)

    def feed(self, chunk: Came) -> Read:
        """Bytes that came; their `t` counts to the millisecond, an earlier one as the latest. KeyError where the site has no
        such stream."""
        t, stream, data = chunk
        line = self.lines[stream]
        turns = self._turns(t)
        line.last_ms = now_ms = self.now_ms
        facts = line.read(now_ms, data)
        for fact in facts:
            if type(fact) in JUDGED_AT_ONCE:
                return now_ms, turns, chunk, facts, self._turn(now_ms)
        return now_ms, turns, chunk, facts, None

    def until(self, t: float, told: Fact | None = None) -> Read:
        """Time goes on to `t`, when a fact may have been told from outside."""
        turns = self._turns(t)
        return self.now_ms, turns, told, [], None

    def rest(self) -> list[Fact]:
        """Nothing more comes: what waits is given up, and the traffic is summed up."""
        facts: list[Fact] = []
        for line in self.lines.values():
            if line.framer.waiting:
                facts += line.read(self.now_ms, None)
            if line.summed_every_ms and (traffic := line.decoder.take_traffic(self.now_ms / 1000.0)) is not None:
                facts.append(traffic)
        return facts

    def _turns(self, t: float) -> list[tuple[int, list[Fact]]]:
        """What is to be told at the moments of the grid up to `t`, to which time goes on."""
        turns: list[tuple[int, list[Fact]]] = []
        now_ms = math.floor(t * 1000 + 1e-6)
        if now_ms > self.now_ms:
            self.now_ms = now_ms
        while self._turned_ms + GRID_MS <= self.now_ms:
            self._turned_ms += GRID_MS
            facts = self._turn(self._turned_ms)
            if facts:
                turns.append((self._turned_ms, facts))
            elif self._turned_ms + GRID_MS <= self.now_ms:
                self._skip_turns()
        return turns

    def _skip_turns(self) -> None:
        """Nothing came of this turn, and nothing will of the next ones, until something comes or a row ends."""
        lines = self.lines.values()
        if any(line.framer.waiting for line in lines):
            return
        last_ms = self.now_ms // GRID_MS * GRID_MS
        if any(line.summed_every_ms == _ROW_MS and line.decoder.is_busy for line in lines):
            row_ends_ms = ((self._turned_ms + GRID_MS) // _ROW_MS + 1) * _ROW_MS
            last_ms = min(last_ms, row_ends_ms - 2 * GRID_MS)  # the turn behind it is the row's last
        self._turned_ms = last_ms

    def _turn(self, at_ms: int) -> list[Fact]:
        """Before the rules are judged: what a line that fell silent leaves, and each line's traffic since the last turn."""
        facts: list[Fact] = []
        row_ends = (at_ms + GRID_MS) % _ROW_MS == 0
        for line in self.lines.values():
            heard_t = None
            if line.framer.waiting and at_ms - line.last_ms >= SILENT_LINE_MS:
                facts += line.read(at_ms, None)
                heard_t = line.last_ms / 1000.0
            if (row_ends and line.summed_every_ms) or line.summed_every_ms == GRID_MS:
                traffic = line.decoder.take_traffic(at_ms / 1000.0, heard_t)
                if traffic is not None:
                    facts.append(traffic)
        return facts


def grid_before(ms: int) -> int:
    """The last moment of the grid before `ms`."""
    return -(-ms // GRID_MS) * GRID_MS - GRID_MS
