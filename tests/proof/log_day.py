"""A day of a base through pipeline and log, with a rotation in it: memory flat, chain whole, bytes all there.

python -m tests.proof.log_day [HOURS]        24 unless said otherwise; the rotation is at half of it
"""

from __future__ import annotations

import hashlib
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.player import play
from witnesspost.replay.play.tape import Chunk
from witnesspost.replay.world.invent import invent
from witnesspost.replay.world.scenario import scenario

_PARTS = 8  # how often memory is looked at


def main() -> None:
    """Run, print, and exit with 1 where anything is not as it must be."""
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 24.0
    told = scenario(str(Path(__file__).parents[1] / "bench" / "base.toml"))
    told.duration_s = hours * 3600
    sums = {stream.name: hashlib.blake2b() for stream in told.site.stream}
    sizes = dict.fromkeys(sums, 0)
    memory: list[float] = []

    def counted():  # type: ignore[no-untyped-def]
        for record in invent(told):
            if isinstance(record, Chunk):
                sums[record.stream].update(record.data)
                sizes[record.stream] += len(record.data)
            if record.t >= (len(memory) + 1) * told.duration_s / (_PARTS + 1):
                memory.append(resident_mib())
            yield record

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        log = Log.start(folder, told.site, "", rotate_s=told.duration_s / 2)
        begun = time.monotonic()
        pipeline = Pipeline(told.site, log)
        changes = sum(1 for _ in play(pipeline, counted(), end_t=told.duration_s))
        pipeline.end()
        log.close(told.duration_s, "played")
        took_s = time.monotonic() - begun
        paths = sorted(folder.glob("*.db"))
        wrong = _wrong(paths, sums)
        raw, stored = sum(sizes.values()), sum(path.stat().st_size for path in paths)
    print(f"{hours:g} h, {raw} bytes in {len(paths)} files of {stored} bytes ({stored / raw:.3f}), {changes} changes of alerts")
    print(f"  invented, judged and logged in {took_s:.0f} s; resident MiB: {' '.join(f'{mib:.1f}' for mib in memory)}")
    print(f"  wrong: {wrong or 'nothing'}")
    sys.exit(1 if wrong else 0)


def _wrong(paths: list[Path], sums: dict[str, hashlib.blake2b]) -> list[str]:
    command = [sys.executable, "-m", "witnesspost.daemon"]
    wrong = [] if len(paths) == 2 else [f"{len(paths)} files"]
    wrong += [f"nothing was fed on {stream}" for stream, fed in sums.items() if fed.digest() == hashlib.blake2b().digest()]
    done = subprocess.run([*command, "verify", *paths], capture_output=True, text=True, check=False)
    if done.returncode:
        wrong.append(done.stdout + done.stderr)
    for stream, expected in sums.items():
        got = hashlib.blake2b()
        for path in paths:
            extract = [*command, "extract", path, "--stream", stream, "-o", "-"]
            with subprocess.Popen(extract, stdout=subprocess.PIPE) as process:
                assert process.stdout is not None
                while data := process.stdout.read(1 << 20):
                    got.update(data)
        if got.digest() != expected.digest():
            wrong.append(f"{stream}: extracted bytes are not those that were fed")
    with LogFile.open(paths[0]) as first, LogFile.open(paths[-1]) as last:
        if first.ended() != "rotated" or last.ended() != "played":
            wrong.append(f"ended {first.ended()!r} and {last.ended()!r}")
    return wrong


def resident_mib() -> float:
    """This process's resident memory now (statm of proc(5))."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / (1 << 20)


if __name__ == "__main__":
    main()
