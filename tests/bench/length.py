"""(i) what a log's length costs: time to write it, to replay it and to verify it, and the most memory that takes.

Each step is a process of its own, so that its memory is its own. Linear in time: the cost of an hour of log does not grow
with the log; flat in memory: neither does the peak.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

from tests.bench.row import Row, at_most
from tests.bench.streams import site_text

_HOURS = {True: (0.1, 0.3, 0.6), False: (1.0, 6.0, 24.0, 168.0)}

_WRITE = """
import sys
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.player import play
from tests.bench.streams import records, site
at = site("base")
log = Log.start(".", at, open(sys.argv[2]).read(), path=sys.argv[1])
pipeline = Pipeline(at, log)
for _ in play(pipeline, records("base", float(sys.argv[3]) * 3600)):
    pass
log.close(pipeline.t, "bench")
"""

_REPLAY = """
import sys
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.source import open_source
from witnesspost.replay.play.player import play
opened = open_source(sys.argv[1], sys.argv[2])
for _ in play(Pipeline(opened.site, begins_t=opened.begins_t), opened.records, end_t=opened.end_t):
    pass
"""

_VERIFY = """
import sys
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import verify
with LogFile.open(sys.argv[1]) as log:
    assert verify(log).sound
"""

# Not getrusage's: a child's begins with what its parent had.
_SAY_PEAK = """
print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM:")))
"""


class _Step(NamedTuple):
    cpu_s: float
    peak_mib: float


def rows(short: bool) -> list[Row]:
    """One row a length, then the ratios of long to short: memory, and in the full form the CPU time of an hour."""
    table: list[Row] = []
    steps: list[dict[str, _Step]] = []
    hours = _HOURS[short]
    for length in hours:
        with tempfile.TemporaryDirectory(prefix="witnesspost-bench-") as name:
            log, site_file = Path(name, "length.db"), Path(name, "site.toml")
            site_file.write_text(site_text("base", {"corrections": "loop://", "receiver": "loop://"}))
            done = {
                "write": _run(_WRITE, log, site_file, length),
                "replay": _run(_REPLAY, log, site_file),
                "verify": _run(_VERIFY, log),
            }
            steps.append(done)
            size = log.stat().st_size / 1e6
        said = ", ".join(f"{step} {taken.cpu_s:.1f} s {taken.peak_mib:.0f} MiB" for step, taken in done.items())
        table.append(Row("i", f"{length:g} h of log ({size:.0f} MB)", "", said))
    for step in steps[0]:
        grown = (steps[-1][step].cpu_s - steps[0][step].cpu_s) / (hours[-1] - hours[0])
        first = (steps[1][step].cpu_s - steps[0][step].cpu_s) / (hours[1] - hours[0])
        memory = steps[-1][step].peak_mib / steps[0][step].peak_mib
        table.append(_at_most(f"{step}: peak memory, {hours[-1]:g} h to {hours[0]:g} h", memory))
        if not short:  # there a step is mostly its own start, and says nothing of an hour
            table.append(_at_most(f"{step}: CPU an hour of log, {hours[-1]:g} h to {hours[1]:g} h", grown / first))
    return table


def _at_most(what: str, ratio: float) -> Row:
    return at_most("i", what, 1.2, ratio, " ×")


def _run(step: str, *arguments: object) -> _Step:
    """A step as a process of its own: its CPU time (getrusage(2)) and the most memory that it had (proc(5), VmHWM)."""
    command = [sys.executable, "-c", step + _SAY_PEAK, *map(str, arguments)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    with process.stdout as said:
        peak_kib = said.read()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, f"exit status {process.returncode}"
    return _Step(used.ru_utime + used.ru_stime, int(peak_kib) / 1024)
