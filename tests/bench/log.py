"""What the log costs: its size, what it makes the disk write, and how long a snapshot holds the service up.

    python tests/bench/log.py [FOLDER]

FOLDER (default: a temporary one) must lie on a disk: a memory file system counts no written bytes. Written bytes are the
kernel's own count for this process (`write_bytes` of /proc/self/io, proc(5)), up to the last commit, WAL and checkpoints
included.
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import verify
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.player import play
from witnesspost.replay.play.source import invent
from witnesspost.replay.play.tape import Chunk
from witnesspost.replay.world.scenario import scenario
from witnesspost.rules.facts import Fix
from witnesspost.rules.site.model import Site
from witnesspost.rules.site.reading import site_from_toml

HERE = Path(__file__).parent
SITE = """
[post]
name = "kestrel-base"
role = "base"
commit_s = {commit_s}
[[stream]]
name = "corrections"
port = "loop://"
carries = ["corrections"]
"""


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as name:
        folder = Path(name)
        base_hour(folder / "base")
        one_kilobyte(folder / "kilobyte")
        snapshot_stall(folder / "snapshot")


def base_hour(folder: Path) -> None:
    """An hour of the benches' base through pipeline and log."""
    told = scenario(str(HERE / "base.toml"))
    records = list(invent(told))
    chunks = [record for record in records if isinstance(record, Chunk) and record.data]
    raw = sum(len(chunk.data) for chunk in chunks)
    before = written_bytes()
    log = Log.start(folder, told.site, "")
    for _ in play(Pipeline(told.site, log), records, end_t=told.duration_s):
        pass
    wrote = written_bytes() - before
    log.close(told.duration_s, "benched")
    (path,) = folder.glob("*.db")
    print(f"base, 1 h: {raw / told.duration_s:.0f} bytes/s in {len(chunks) / told.duration_s:.1f} chunks/s, commit_s 5")
    print(f"  log size / raw bytes         {path.stat().st_size / raw:6.3f}   (figure: 1.15)")
    print(f"  written to disk / raw bytes  {wrote / raw:6.2f}   (figure at 1 kB/s: 8)")


def one_kilobyte(folder: Path) -> None:
    """A kilobyte a second, ten chunks a second, a position a second, for an hour."""
    site = site_from_toml(SITE.format(commit_s=5.0))
    rng = random.Random(1)
    before = written_bytes()
    log = Log.start(folder, site, "")
    for number in range(36_000):
        t = number / 10 + rng.randrange(20) / 1000
        log.chunk(t, "corrections", rng.randbytes(100))
        if number % 10 == 0:
            log.fact(fix(t, rng))
        log.tick(t)
    wrote = written_bytes() - before
    raw = log.state().raw_bytes
    log.close(3600.0, "benched")
    (path,) = folder.glob("*.db")
    print("1 kB/s, 1 h, 10 chunks/s, a fix a second, commit_s 5")
    print(f"  log size / raw bytes         {path.stat().st_size / raw:6.3f}")
    print(f"  written to disk / raw bytes  {wrote / raw:6.2f}   (figure: 8)")


def snapshot_stall(folder: Path) -> None:
    """The longest turn of a writer that commits five times a second, alone and while snapshots of 150 MB are taken."""
    site = site_from_toml(SITE.format(commit_s=0.2))
    rng = random.Random(1)
    log = Log.start(folder, site, "")
    block = rng.randbytes(1 << 20)
    t = 0.0
    for _ in range(150):
        t += 1.0
        log.chunk(t, "corrections", block)
        log.tick(t)
    path = log.state().path
    assert path is not None
    t, alone = writing(log, site, t, 10.0, None)
    command = [sys.executable, "-m", "witnesspost.daemon", "snapshot", path]
    beside: list[float] = []
    taken = 0
    while taken < 3:
        out = folder / f"copy{taken}.db"
        with subprocess.Popen([*command, str(out)], stdout=subprocess.DEVNULL) as process:
            t, turns = writing(log, site, t, 60.0, process)
        assert process.returncode == 0
        with LogFile.open(out) as copy:
            assert verify(copy).sound
        out.unlink()
        beside += turns
        taken += 1
    log.close(t, "benched")
    print("a commit every 0.2 s of 2 kB, file of 150 MB: median and longest turn")
    print(f"  alone                        {median(alone) * 1000:6.1f} {max(alone) * 1000:8.1f} ms")
    print(f"  while 3 snapshots are taken  {median(beside) * 1000:6.1f} {max(beside) * 1000:8.1f} ms   (figure: 200)")


def writing(log: Log, site: Site, t: float, for_s: float, process: subprocess.Popen[bytes] | None) -> tuple[float, list[float]]:
    """Write on in real time until `for_s` or the process is over; how long each turn took."""
    begun, turns = time.monotonic(), []
    while time.monotonic() - begun < for_s and (process is None or process.poll() is None):
        t += 0.2
        before = time.monotonic()
        log.chunk(t, "corrections", bytes(2000))
        log.tick(t)
        turns.append(time.monotonic() - before)
        time.sleep(max(0.0, 0.2 - turns[-1]))
    return t, turns


def fix(t: float, rng: random.Random) -> Fix:
    """A position of a base's own receiver, which has no GST."""
    return Fix(
        t=t,
        stream="corrections",
        time_s=float(int(t)),
        quality=1,
        latitude=39.1234567 + rng.random() * 1e-5,
        longitude=-104.9876543 + rng.random() * 1e-5,
        height_m=round(1876.165 + rng.random(), 3),
        separation_m=-17.123,
        satellites=14,
        hdop=0.7,
        age_s=None,
        station_id=None,
    )


def written_bytes() -> int:
    """Bytes that this process made the kernel send to storage."""
    lines = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(lines["write_bytes"])


if __name__ == "__main__":
    main()
