"""What waits for the log's next commit: open blocks and rows in feed order, in bounded memory, with a gap for what was dropped.

`t` of a log never steps back: what comes with an earlier one counts as come at the latest.
"""

from __future__ import annotations

from typing import Any

import msgspec
from witnesspost.daemon.log.blocks import OpenBlock
from witnesspost.daemon.log.rows import AlertRow, ChainedRow, EventRow, RawRow, json_text

_BATCH_BYTES = 256 << 10  # of what has waited: a disk with a little room takes a little
_ROW_BYTES = 200  # what a row takes beside its text and bytes
_CHUNK_BYTES = 120  # what a chunk takes in an open block beside its bytes


class Waiting:
    """A row of the chain that waits, with where it belongs in the feed order."""

    __slots__ = ("ms", "order_in_ms", "row", "size_bytes")

    def __init__(self, ms: int, order_in_ms: int, row: ChainedRow):
        self.ms = ms
        self.order_in_ms = order_in_ms
        self.row = row
        self.size_bytes = _ROW_BYTES + _text_bytes(row)

    def order(self) -> tuple[int, int]:
        """The key of the feed order."""
        return self.ms, self.order_in_ms

    def may_go(self) -> bool:
        """True for raw blocks and health reports; alerts, and what people or ports said, always stay."""
        return isinstance(self.row, RawRow) or (isinstance(self.row, EventRow) and self.row.kind == "health")


class Backlog:
    """What waits. `size_bytes` is the rows' memory, `lost_bytes` the raw bytes dropped so far, `raw_bytes` all that came
    in closed blocks, `open_bytes` the memory of the open ones. `begun_t` is when the streams began to be listened to."""

    def __init__(self, most_bytes: int, begun_t: float):
        self.size_bytes = 0
        self.lost_bytes = 0
        self.raw_bytes = 0
        self.open_bytes = 0
        self._most_bytes = most_bytes
        self._ms = self._begun_ms = round(begun_t * 1000)
        self._order_in_ms = -1
        self._blocks: dict[str, OpenBlock] = {}
        self._heard_ms: dict[str, int] = {}
        self._rows: list[Waiting] = []
        self._gaps: dict[str, _Gap] = {}

    def __bool__(self) -> bool:
        return bool(self._rows)

    def chunk(self, t: float, stream: str, data: bytes) -> None:
        """Bytes as one read of the port returned them."""
        if not data:
            return
        self._come(t)
        block = self._blocks.get(stream)
        if block is None:
            block = self._blocks[stream] = OpenBlock()
        self.open_bytes += len(data) + _CHUNK_BYTES
        block.chunks.append((self._ms, self._order_in_ms, data))

    def add(self, row: AlertRow | EventRow) -> None:
        """One more input, or word of the log itself: it is given its `t` and its order."""
        self._come(row.t)
        row.t, row.order_in_ms = self._ms / 1000, self._order_in_ms
        self._wait(Waiting(self._ms, self._order_in_ms, row))

    def note(self, row: AlertRow | EventRow) -> None:
        """One more row that is not an input: where the rules come late, it keeps the `t` at which they judged."""
        ms = round(row.t * 1000)
        if ms >= self._ms:
            self.add(row)
        else:
            row.t, row.order_in_ms = ms / 1000, 0
            self._wait(Waiting(ms, 0, row))

    def settle(self, why: str | None) -> None:
        """Close the open blocks, bring all that waits into feed order, and drop the oldest that may go until the rest
        fits; `why` it could wait so long stands in the gap."""
        for stream, block in self._blocks.items():
            self._close(stream, block)
        self._blocks.clear()
        self.open_bytes = 0
        self._rows.sort(key=Waiting.order)
        if self.size_bytes <= self._most_bytes:
            return
        kept: list[Waiting] = []
        for one in self._rows:
            if self.size_bytes <= self._most_bytes or not one.may_go():
                kept.append(one)
                continue
            self.size_bytes -= one.size_bytes
            stream = one.row.stream
            gap = self._gaps.get(stream)
            if gap is None:
                gap = self._gaps[stream] = _Gap(one, why or "too much at once")
                kept.append(gap.waiting)
            self.lost_bytes += gap.widen(one.row)
        self._rows = kept

    def first_t(self) -> float | None:
        """When the first of what waits came."""
        ms = min((one.ms for one in self._rows), default=None)
        return None if ms is None else ms / 1000

    def batch(self) -> list[Waiting]:
        """The first rows, as many as go into one transaction."""
        size = count = 0
        while count < len(self._rows) and (count == 0 or size + self._rows[count].size_bytes <= _BATCH_BYTES):
            size += self._rows[count].size_bytes
            count += 1
        return self._rows[:count]

    def written(self, batch: list[Waiting]) -> None:
        """These are on the disk: they wait no more."""
        done = set(map(id, batch))
        self._rows = [one for one in self._rows if id(one) not in done]
        self._gaps = {stream: gap for stream, gap in self._gaps.items() if id(gap.waiting) not in done}
        self.size_bytes = sum(one.size_bytes for one in self._rows)

    def unwritten(self) -> tuple[int, list[AlertRow]]:
        """What would be lost if nothing more were written: raw bytes, those of gaps that were not told yet among them, and
        alerts."""
        rows = [one.row for one in self._rows]
        size = sum(len(row.data) for row in rows if isinstance(row, RawRow))
        size += sum(gap.size_bytes for gap in self._gaps.values())
        return size, [row for row in rows if isinstance(row, AlertRow)]

    def _come(self, t: float) -> None:
        ms = round(t * 1000)
        if ms > self._ms:
            self._ms, self._order_in_ms = ms, 0
        else:
            self._order_in_ms += 1

    def _wait(self, one: Waiting) -> None:
        self._rows.append(one)
        self.size_bytes += one.size_bytes

    def _close(self, stream: str, block: OpenBlock) -> None:
        (ms, order_in_ms, _), (last_ms, _, _) = block.chunks[0], block.chunks[-1]
        pause_t, pause_s = block.pause(self._heard_ms.get(stream, self._begun_ms))
        row = RawRow(
            stream=stream,
            t=ms / 1000,
            t_last=last_ms / 1000,
            chunks=len(block.chunks),
            pause_t=pause_t,
            pause_s=pause_s,
            data=block.data(),
            times=block.times(),
        )
        self._heard_ms[stream] = last_ms
        self.raw_bytes += len(row.data)
        self._wait(Waiting(ms, order_in_ms, row))


class _Gap:
    """Bytes of one stream that were dropped, as the event that will say so."""

    def __init__(self, first: Waiting, why: str):
        self._detail: dict[str, Any] = {"why": why, "bytes": 0, "chunks": 0, "until_t": first.ms / 1000}
        stream = first.row.stream if isinstance(first.row, RawRow) else ""
        self._row = EventRow(
            t=first.ms / 1000, order_in_ms=first.order_in_ms, kind="gap", stream=stream, detail=json_text(self._detail)
        )
        self.waiting = Waiting(first.ms, first.order_in_ms, self._row)

    @property
    def size_bytes(self) -> int:
        """How many bytes were dropped so far."""
        return int(self._detail["bytes"])

    def widen(self, dropped: ChainedRow) -> int:
        """Take in a dropped row; gives its raw bytes."""
        self._detail["until_t"] = dropped.t
        lost = 0
        if isinstance(dropped, RawRow):
            lost = len(dropped.data)
            self._detail["bytes"] += lost
            self._detail["chunks"] += dropped.chunks
            self._detail["until_t"] = dropped.t_last
        self._row.detail = json_text(self._detail)
        return lost


def _text_bytes(row: ChainedRow) -> int:
    return sum([len(value) for value in msgspec.structs.astuple(row) if isinstance(value, (bytes, str))])
