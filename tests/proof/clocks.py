"""Clocks that jump: the machine's date while the watch runs, and the days on which a receiver's own numbers begin anew.

The machine's date is set back and forth under the real watch (`clock.c`, by LD_PRELOAD): no alert follows, no byte is lost, and
what is logged verifies and says that the date was set. For the receiver's days the quiet scenarios are moved so that the turn
comes in their midst: GPS's week begins at 00:00 GPS time of Sunday, which is 18 s before UTC's midnight since 2017 (IS-GPS-200,
20.3.3.3; IERS Bulletin C); its ten-bit week number began anew on 2019-04-07 and will on 2038-11-21; GLONASS's day begins at
00:00 of UTC + 3 h (ICD 5.1). They stay as quiet as on any other day.
"""

from __future__ import annotations

import datetime as dt
import json
import struct
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import EventRow
from witnesspost.daemon.log.verifying import verify
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.player import play
from witnesspost.replay.world.invent import invent
from witnesspost.replay.world.scenario import scenario
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.site.reading import site_from_table

from tests.daemon.conftest import Watch, epoch_frame, until_read
from tests.proof.numbered_lines import SITE, NumberedLine, numbered
from tests.proof.preloaded import compiled
from tests.proof.table import Length, Row

_BENCH = Path(__file__).parents[1] / "bench"
_YEAR_S = 31_557_600
JUMPS_S = (3600, -3600, 86_400, 10 * _YEAR_S, -20 * _YEAR_S, 0, -1, 1024 * 604_800)
TURNS = {
    "GPS week": dt.datetime(2026, 6, 13, 23, 59, 42, tzinfo=dt.UTC),
    "GPS week number at 1024": dt.datetime(2019, 4, 6, 23, 59, 42, tzinfo=dt.UTC),
    "GPS week number at 3072": dt.datetime(2038, 11, 20, 23, 59, 42, tzinfo=dt.UTC),
    "midnight UTC": dt.datetime(2026, 6, 17, tzinfo=dt.UTC),
    "GLONASS day": dt.datetime(2026, 6, 17, 21, tzinfo=dt.UTC),
    "new year": dt.datetime(2027, 1, 1, tzinfo=dt.UTC),
    "leap day": dt.datetime(2028, 2, 29, tzinfo=dt.UTC),
    "the day after it": dt.datetime(2028, 3, 1, tzinfo=dt.UTC),
}


class WallClock:
    """The date of a program that runs with `environment`; it can be set while the program runs."""

    def __init__(self, folder: Path):
        self._path = folder / "ahead"
        self.set(0)
        self.environment = {"LD_PRELOAD": str(compiled("clock")), "CLOCK_CONTROL": str(self._path)}

    def set(self, ahead_s: int) -> None:
        """So far ahead of the machine's, seconds."""
        with open(self._path, "r+b" if self._path.exists() else "wb") as file:
            file.write(struct.pack("q", ahead_s))


def dates_jump(folder: Path, between_s: float) -> list[str]:
    """What is wrong after the date was set to each of JUMPS_S under a watch that was fed ten epochs a second."""
    lines = {name: NumberedLine(folder / f"tty-{name}") for name in ("corrections", "receiver")}
    clock = WallClock(folder)
    site = folder / "site.toml"
    site.write_text(SITE.format(commit_s=1.0, **{name: line.path for name, line in lines.items()}))
    post = Watch(site, **clock.environment)
    try:
        for _ in lines:
            post.until_said("open")
        number = 0
        for ahead_s in JUMPS_S:
            clock.set(ahead_s)
            for _ in range(round(between_s * 10)):
                lines["corrections"].send(epoch_frame(number))
                lines["receiver"].send(numbered(number))
                number += 1
                time.sleep(0.1)
        for name, line in lines.items():
            until_read(folder / "kestrel-base.sock", line.sent, name)
        status = post.stop()
    finally:
        post.process.kill()
        for line in lines.values():
            line.unplug()
    wrong = [] if status == 0 else [f"the watch ended with {status}"]
    wrong += [f"an alert: {json.dumps(change)[:200]}" for change in post.changes[:3]]
    (path,) = (folder / "log").glob("*.db")
    with LogFile.open(path) as log:
        wrong += [] if verify(log).sound else ["the log does not verify"]
        stepped = {json.loads(row.detail)["by_s"] for row in log.rows(EventRow, "WHERE kind = 'system-clock-stepped'")}
        wrong += (
            [] if min(stepped, default=0) < -_YEAR_S < _YEAR_S < max(stepped, default=0) else [f"set by no more: {stepped}"]
        )
        for name, line in lines.items():
            kept = b"".join(what for _, _, what in log.inputs(stream=name) if isinstance(what, bytes))
            wrong += [] if kept == line.sent else [f"{name}: {len(line.sent)} bytes sent, {len(kept)} kept"]
    return wrong


def turn_of(name: str, role: str, before_s: float = 150.0, after_s: float = 150.0) -> list[str]:
    """The changes that a quiet scenario has where the turn comes in its midst; none is right."""
    found = scenario(_BENCH / f"{role}.toml")
    found.start_utc = TURNS[name] - dt.timedelta(seconds=before_s)
    found.duration_s = before_s + after_s
    site = site_from_table(found.site_table, found.site.path, FIGURES)
    pipeline = Pipeline(site, None)
    wrong = [f"{role}: {change.rule}: {change.cause} at {change.t:.1f} s" for change in play(pipeline, invent(found, None))]
    end = pipeline.scene.utc_at(found.duration_s)
    if end is None or abs((end - TURNS[name]).total_seconds() - after_s) > 2.0:
        wrong.append(f"{role}: its receiver says {end} at the end: it has come to no turn")
    return wrong


def rows(length: Length) -> Iterator[Row]:
    """A row for the machine's date, one for the receivers' days."""
    with tempfile.TemporaryDirectory(prefix="witnesspost-clocks-") as folder:
        wrong = dates_jump(Path(folder), 0.5 if length.short else 4.0)
    yield Row(
        "clocks: the machine's date is set",
        f"{len(JUMPS_S)} jumps, 1 s to 20 years",
        "no alert, every byte kept, the log verifies",
        tuple(f"clocks: {text}" for text in wrong),
    )
    turns = list(TURNS)[: length.of(len(TURNS), 1)]
    wrong = [f"clocks: {name}: {text}" for name in turns for role in ("base", "rover") for text in turn_of(name, role)]
    yield Row("clocks: a receiver's numbers begin anew", f"{len(turns)} turns, base and rover", ", ".join(turns), tuple(wrong))
