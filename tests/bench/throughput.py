"""(a) against the loop that a practitioner writes in an afternoon; (b) against the floor that nothing can go under.

All three read the same chunks and write SQLite in WAL mode with SQLite's own default of `synchronous`.
"""

from __future__ import annotations

import io
import sqlite3
from collections.abc import Callable
from itertools import groupby
from pathlib import Path

import anycrc
from pynmeagps import NMEAReader
from pyrtcm import RTCMReader
from sqlite_utils import Database
from witnesspost.replay.play.tape import Chunk

from tests.bench.row import Row, at_least, at_most, in_turn, median_cpu_s, median_wall_s
from tests.bench.streams import chunks, through_the_pipeline

_FIGURES = {"base": (13.0, 5.5), "rover": (9.0, 7.5)}
# What was reached on the machine of the table, where the figure was not: CPU time against the loop, and against the floor.
_REACHED = {"base": (10.0, 12.0), "rover": (7.0, 14.0)}
_COMMIT_S = 5.0  # the site file's default, which the pipeline's log uses


def rows(short: bool) -> list[Row]:
    """The ratios at the base and at the rover."""
    return [row for name in ("base", "rover") for row in _at(name, 300.0 if short else 3600.0, 3 if short else 7)]


def _at(name: str, duration_s: float, runs: int) -> list[Row]:
    fed = chunks(name, duration_s)
    size = sum(len(chunk.data) for chunk in fed)
    costs = in_turn(
        {
            "loop": lambda folder: plain_loop(fed, folder),
            "floor": lambda folder: floor(fed, folder),
            "blocks": lambda folder: floor(fed, folder, whole=True),
            "ours": lambda folder: through_the_pipeline(name, fed, folder),
        },
        runs,
    )
    cpu = {kind: median_cpu_s(taken) for kind, taken in costs.items()}
    wall = {kind: median_wall_s(taken) for kind, taken in costs.items()}
    speed = f"{size / 1e6 / cpu['ours']:.2g} MB/s, {duration_s / cpu['ours']:,.0f} × real time"
    loop, floor_, blocks = (wall["loop"] / wall["ours"], wall["ours"] / wall["floor"], cpu["ours"] / cpu["blocks"])
    return [
        at_least(
            "a",
            f"{name}: pipeline and log against a plain loop, throughput",
            _FIGURES[name][0],
            cpu["loop"] / cpu["ours"],
            " ×",
            f" (by the wall {loop:.3g} ×; {speed})",
            reached=_REACHED[name][0],
        ),
        at_most(
            "b",
            f"{name}: pipeline and log against the floor, time",
            _FIGURES[name][1],
            cpu["ours"] / cpu["floor"],
            " ×",
            f" (by the wall {floor_:.3g} ×; with a blob a commit instead of a chunk {blocks:.3g} ×)",
            reached=_REACHED[name][1],
        ),
    ]


def plain_loop(fed: tuple[Chunk, ...], folder: Path) -> Callable[[], object]:
    """Ready to run: pyrtcm's and pynmeagps's readers, one sqlite-utils insert a message, one transaction a second, in WAL."""
    db = Database(folder / "plain.db")
    db.enable_wal()
    table = db.table("message")

    def run() -> None:
        for second, of_second in groupby(fed, lambda chunk: int(chunk.t)):
            lines: dict[str, bytes] = {}
            for chunk in of_second:
                lines[chunk.stream] = lines.get(chunk.stream, b"") + chunk.data
            with db.atomic():
                for stream, data in lines.items():
                    reader = RTCMReader if stream == "corrections" else NMEAReader
                    for raw, message in reader(io.BytesIO(data), quitonerror=0):
                        table.insert({"t": second, "stream": stream, "message": message.identity, "raw": raw})
        db.close()

    return run


def floor(fed: tuple[Chunk, ...], folder: Path, whole: bool = False) -> Callable[[], object]:
    """Ready to run: the CRC of every frame, found by its length, and the bytes into SQLite: a blob a chunk (with `whole` a
    blob for all that a stream brought between two commits, which loses the arrival times)."""
    connection = sqlite3.connect(folder / "floor.db", isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("CREATE TABLE raw (t REAL, stream TEXT, data BLOB)")
    crc = anycrc.Model("CRC24-LTE-A").calc

    def run() -> None:
        waiting = b""
        rows: list[tuple[float, str, bytes]] = []
        due = _COMMIT_S
        for t, stream, data in ((chunk.t, chunk.stream, chunk.data) for chunk in fed):
            if t >= due:
                _commit(connection, _joined(rows) if whole else rows)
                rows, due = [], t + _COMMIT_S
            rows.append((t, stream, data))
            if stream != "corrections":
                continue
            waiting += data
            start, size = 0, len(waiting)
            while start + 3 <= size:
                end = start + 6 + ((waiting[start + 1] & 3) << 8 | waiting[start + 2])
                if end > size:
                    break
                crc(waiting[start:end])
                start = end
            waiting = waiting[start:]
        _commit(connection, _joined(rows) if whole else rows)
        connection.close()

    return run


def _commit(connection: sqlite3.Connection, rows: list[tuple[float, str, bytes]]) -> None:
    connection.execute("BEGIN")
    connection.executemany("INSERT INTO raw VALUES (?, ?, ?)", rows)
    connection.execute("COMMIT")


def _joined(rows: list[tuple[float, str, bytes]]) -> list[tuple[float, str, bytes]]:
    parts: dict[str, list[bytes]] = {}
    for _, stream, data in rows:
        parts.setdefault(stream, []).append(data)
    return [(rows[0][0], stream, b"".join(part)) for stream, part in parts.items()]
