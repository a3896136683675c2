"""What waits for the log's next commit: rows in feed order, in bounded memory, with a gap where rows had to be dropped."""

from __future__ import annotations

from typing import Any

import msgspec

_BATCH_BYTES = 256 << 10  # of what has waited: a disk with a little room takes a little

_encode = msgspec.json.Encoder(enc_hook=str).encode


class WaitingRow:
    """A row for a chained table: its place in the feed order, and its values without `n` and `digest`."""

    __slots__ = ("ms", "place", "size_bytes", "table", "values")

    def __init__(self, ms: int, place: int, table: str, values: list[Any]):
        self.ms = ms
        self.place = place
        self.table = table
        self.values = values
        self.size_bytes = 200 + sum(len(value) for value in values if isinstance(value, bytes | str))

    def order(self) -> tuple[int, int]:
        """The key of the feed order."""
        return self.ms, self.place

    def may_go(self) -> bool:
        """True for raw blocks and health reports; alerts, and what people or ports said, always stay."""
        return self.table == "raw" or (self.table == "event" and self.values[2] == "health")


class Waiting:
    """The rows that wait. `size_bytes` is their memory, `lost_bytes` the raw bytes that were dropped so far."""

    def __init__(self, most_bytes: int):
        self.size_bytes = 0
        self.lost_bytes = 0
        self._most_bytes = most_bytes
        self._rows: list[WaitingRow] = []
        self._gaps: dict[str, _Gap] = {}

    def __bool__(self) -> bool:
        return bool(self._rows)

    def add(self, ms: int, place: int, table: str, values: list[Any]) -> None:
        """One more row; rows may come out of order until `settle`."""
        row = WaitingRow(ms, place, table, values)
        self._rows.append(row)
        self.size_bytes += row.size_bytes

    def settle(self, why: str | None) -> None:
        """Bring the rows into feed order and drop the oldest that may go until the rest fits; `why` they could wait so
        long stands in the gap."""
        self._rows.sort(key=WaitingRow.order)
        if self.size_bytes <= self._most_bytes:
            return
        kept: list[WaitingRow] = []
        for row in self._rows:
            if self.size_bytes <= self._most_bytes or not row.may_go():
                kept.append(row)
                continue
            self.size_bytes -= row.size_bytes
            stream = row.values[0] if row.table == "raw" else ""
            gap = self._gaps.get(stream)
            if gap is None:
                gap = self._gaps[stream] = _Gap(row.ms, row.place, stream, why or "too much at once")
                kept.append(gap.row)
            self.lost_bytes += gap.widen(row)
        self._rows = kept

    def first_ms(self) -> int | None:
        """The millisecond of the first row."""
        return min((row.ms for row in self._rows), default=None)

    def batch(self) -> list[WaitingRow]:
        """The first rows, as many as go into one transaction."""
        size = count = 0
        while count < len(self._rows) and (count == 0 or size + self._rows[count].size_bytes <= _BATCH_BYTES):
            size += self._rows[count].size_bytes
            count += 1
        return self._rows[:count]

    def written(self, rows: list[WaitingRow]) -> None:
        """These are on the disk: they wait no more."""
        done = set(map(id, rows))
        self._rows = [row for row in self._rows if id(row) not in done]
        self._gaps = {stream: gap for stream, gap in self._gaps.items() if id(gap.row) not in done}
        self.size_bytes = sum(row.size_bytes for row in self._rows)


class _Gap:
    """Bytes of one stream that were dropped, as the event that will say so."""

    def __init__(self, ms: int, place: int, stream: str, why: str):
        self._detail: dict[str, Any] = {"why": why, "bytes": 0, "chunks": 0, "until_t": ms / 1000}
        self.row = WaitingRow(ms, place, "event", [ms / 1000, place, "gap", stream, 0, json_text(self._detail)])

    def widen(self, dropped: WaitingRow) -> int:
        """Take in a dropped row; gives its raw bytes."""
        lost = 0
        until_t = dropped.ms / 1000
        if dropped.table == "raw":
            _, _, until_t, chunks, _, _, data, _ = dropped.values
            lost = len(data)
            self._detail["bytes"] += lost
            self._detail["chunks"] += chunks
        self._detail["until_t"] = until_t
        self.row.values[-1] = json_text(self._detail)
        return lost


def json_text(value: Any) -> str:
    """JSON of anything that a fact or an alert may carry."""
    try:
        return _encode(value).decode()
    except UnicodeEncodeError:  # a file name or an operating system's words that are no Unicode
        return _encode(_as_unicode(msgspec.to_builtins(value, enc_hook=str))).decode()


def _as_unicode(value: Any) -> Any:
    if isinstance(value, str):
        return value.encode(errors="replace").decode()
    if isinstance(value, dict):
        return {_as_unicode(key): _as_unicode(one) for key, one in value.items()}
    return [_as_unicode(one) for one in value] if isinstance(value, list) else value
