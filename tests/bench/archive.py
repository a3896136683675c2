"""(q) many days at one office: logs into an archive, the office's questions to a thousand days, a season on two workers.

Not in the short bench: the logs alone take minutes to invent. The thousand days are a day of invented hours, each with a radio
cable pulled, a base on a wrong height, a check-in and what solved it, shifted from day to day over ten posts.
"""

from __future__ import annotations

import datetime as dt
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from witnesspost.replay.office.archive.asking import asked
from witnesspost.replay.office.archive.folder import Archive
from witnesspost.replay.office.archive.gathering import gather
from witnesspost.replay.office.archive.tables import PARTS
from witnesspost.rules.facts import CheckIn, Fact, SetUp, Solved

from tests.bench.row import Cost, Row, at_least, at_most, cost
from tests.bench.streams import log_of

QUESTIONS = ("lost_corrections", "wrong_base_coordinates", "check_ins", "what_solved")
_POSTS, _DAYS, _HOURS = 10, 100, 24
_ROVER_S = 7200.0


def rows(short: bool) -> Iterator[Row]:
    """None in the short bench."""
    if short:
        return
    with tempfile.TemporaryDirectory(prefix="witnesspost-bench-") as name:
        folder = Path(name)
        yield from _gathering(folder / "rover")
        yield from _asking(folder / "days")


def _gathering(folder: Path) -> Iterator[Row]:
    path = log_of(folder, str(Path(__file__).with_name("rover.toml")), seed=2, until_s=_ROVER_S)
    with Archive(folder / "archive") as archive:
        taken = cost(lambda: [one.said for one in gather([path], archive)])
    size = sum(file.stat().st_size for file in (folder / "archive").rglob("*.parquet"))
    note = f" ({_ROVER_S / 3600:g} h in {taken.cpu_s:.3g} s)"
    yield at_least("q", "gather, a 10 Hz rover: times real time", 200, _ROVER_S / taken.cpu_s, " ×", note)
    yield at_most("q", "the archive of it, of the log's size", 15, 100 * size / path.stat().st_size, " %")


def _asking(folder: Path) -> Iterator[Row]:
    archive = thousand_days(folder)
    for name in QUESTIONS:
        costs = [_asked(archive, f"FROM {name}") for _ in range(3)]
        best = min(costs, key=lambda one: one.cpu_s)
        note = f" of CPU, all cores together (by the wall {best.wall_s:.2g} s)"
        yield at_most("q", f"`{name}` over {_POSTS * _DAYS:,} days", 2.0, best.cpu_s, " s", note)


def _asked(archive: Path, sql: str) -> Cost:
    def ask() -> None:
        with asked(archive, sql) as answer:
            assert sum(1 for _ in answer.rows) > 0

    return cost(ask)


def thousand_days(folder: Path) -> Path:
    """An archive of that size, as `gather` would leave it."""
    step, stream = "Put the cable back.", ""
    solved: list[Fact] = [Solved(t=345.0, stream=stream, rule="corrections-stopped", cause="port-lost", step=step, by="Alma")]
    crew: list[Fact] = [
        SetUp(t=5.0, stream=stream, point="KQ-1", antenna_height_m=1.843, pole_height_m=2.0, by="Cleo"),
        CheckIn(t=75.0, stream=stream, point="KQ-2"),
    ]
    cable = log_of(folder / "cable", "radio-cable-pulled-and-back", told=solved)
    wrong = log_of(folder / "wrong", "control-check:under-a-base-orthometric-as-ellipsoidal", told=crew)
    with Archive(folder / "hour") as hour:
        for one in gather([cable, wrong], hour):
            assert one.outcome == "gathered", one.said
    with Archive(folder / "archive") as archive:
        days = {name: _tiled(folder / "hour", f"post=*/day=*/run=*/{name}.parquet") for name in PARTS}
        logs = _tiled(folder / "hour", "logs/post=*/run=*/logs.parquet").slice(0, 1)
        logs = _with(logs, "seconds", pa.array([86_400.0]))
        for post in range(_POSTS):
            for day in range(_DAYS):
                at, run = dt.timedelta(days=day), f"{day + 1}-{post:06x}"
                of_day = archive.path / f"post=quarry-{post}" / f"day={dt.date(2026, 6, 15) + at}" / f"run={run}"
                for name, table in (*days.items(), ("logs", logs)):
                    to = archive.path / "logs" / f"post=quarry-{post}" / f"run={run}" if name == "logs" else of_day
                    to.mkdir(parents=True, exist_ok=True)
                    moved = _moved(table, at, {"post": f"quarry-{post}", "run": run})
                    moved = _stepped(moved, "seq", 1_000_000 * day)
                    pq.write_table(moved, to / f"{name}.parquet", compression="zstd")
        return archive.path


def _tiled(hour: Path, pattern: str) -> pa.Table:
    """The rows of that hour at each hour of a day, as one log's."""
    logs = [pq.read_table(path, partitioning=None) for path in sorted(hour.glob(pattern))]
    logs = [_stepped(log, "seq", 5_000 * number) for number, log in enumerate(logs)]
    found = pa.concat_tables(logs).unify_dictionaries()
    parts = []
    for number in range(_HOURS):
        part = _moved(found, dt.timedelta(hours=number - 8), {})  # it begins at eight
        for column, step in (("seq", 10_000), ("t", 3600.0), ("to_t", 3600.0)):
            part = _stepped(part, column, step * number)
        parts.append(part)
    return pa.concat_tables(parts).unify_dictionaries().combine_chunks()


def _stepped(table: pa.Table, column: str, step: float) -> pa.Table:
    return _with(table, column, pc.add(table[column], step)) if column in table.column_names else table


def _moved(table: pa.Table, by: dt.timedelta, named: dict[str, str]) -> pa.Table:
    for column in ("utc", "local"):
        table = _with(table, column, pc.add(table[column], pa.scalar(by, pa.duration("ms"))))
    for column, text in named.items():
        table = _with(table, column, pa.array([text] * table.num_rows).dictionary_encode())
    return table


def _with(table: pa.Table, column: str, values: pa.Array) -> pa.Table:
    at = table.column_names.index(column)
    return table.set_column(at, table.schema.field(at), values.cast(table.schema.field(at).type))
