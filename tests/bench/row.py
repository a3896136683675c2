"""A row of the table, and how a time is taken."""

from __future__ import annotations

import gc
import math
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Hashable, Mapping
from pathlib import Path
from typing import NamedTuple, TypeVar

_Work = TypeVar("_Work", bound=Hashable)


class Row(NamedTuple):
    """One figure: what was measured, what it has to be, what it was. `off`: missed by more than twice the figure."""

    letter: str
    what: str
    figure: str
    measured: str
    held: bool | None = None
    off: bool = False


class Cost(NamedTuple):
    """What a run took: CPU time of the process and time of the wall, seconds."""

    cpu_s: float
    wall_s: float


def at_most(letter: str, what: str, limit: float, value: float, unit: str, note: str = "", reached: float = 0.0) -> Row:
    """A row whose value has to be `limit` or less. `reached` is what was, where the limit was not: far off is twice that."""
    off = value > 2 * max(limit, reached)
    return Row(letter, what, f"≤ {limit:g}{unit}", f"{_shown(value, limit)}{unit}{note}", value <= limit, off)


def at_least(letter: str, what: str, limit: float, value: float, unit: str, note: str = "", reached: float = math.inf) -> Row:
    """A row whose value has to be `limit` or more. `reached` is what was, where the limit was not: far off is half that."""
    off = value < min(limit, reached) / 2
    return Row(letter, what, f"≥ {limit:g}{unit}", f"{_shown(value, limit)}{unit}{note}", value >= limit, off)


def _shown(value: float, limit: float) -> str:
    """To three digits; to four where three would show the limit itself."""
    text = f"{value:.3g}"
    return f"{value:.4g}" if float(text) == limit else text


def cost(work: Callable[[], object]) -> Cost:
    """What one call of `work` takes."""
    gc.collect()  # what others left behind is not its cost
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return Cost(time.process_time() - cpu, time.perf_counter() - wall)


def in_turn(works: Mapping[_Work, Callable[[Path], Callable[[], object]]], runs: int) -> dict[_Work, list[Cost]]:
    """What each takes, `runs` times, one after the other in turn; one round before that does not count.

    Each is given an empty folder and makes ready what then is timed: a file is begun once a day.
    """
    costs: dict[_Work, list[Cost]] = {name: [] for name in works}
    for round_ in range(runs + 1):
        for name, prepare in works.items():
            with tempfile.TemporaryDirectory(prefix="witnesspost-bench-") as folder:
                taken = cost(prepare(Path(folder)))
            if round_:
                costs[name].append(taken)
    return costs


def median_cpu_s(costs: list[Cost]) -> float:
    """The median of their CPU times."""
    return statistics.median(taken.cpu_s for taken in costs)


def median_wall_s(costs: list[Cost]) -> float:
    """The median of their times of the wall."""
    return statistics.median(taken.wall_s for taken in costs)


def resident_mib(pid: int | str = "self") -> float:
    """Resident memory of a process, MiB (proc(5), VmRSS)."""
    return _status(pid, "VmRSS") / 1024


def peak_mib(pid: int | str = "self") -> float:
    """The most resident memory that a process had, MiB (proc(5), VmHWM)."""
    return _status(pid, "VmHWM") / 1024


def machine() -> str:
    """The machine in a line."""
    with open("/proc/cpuinfo") as file:
        names = {line.split(":", 1)[1].strip() for line in file if line.startswith(("model name", "Model"))}
    load = ", ".join(f"{value:.1f}" for value in os.getloadavg())
    processor = " / ".join(sorted(names)) or os.uname().machine
    return f"{processor}, {os.cpu_count()} cores, load {load}, Python {sys.version.split()[0]}"


def _status(pid: int | str, key: str) -> int:
    with open(f"/proc/{pid}/status") as file:
        return next(int(line.split()[1]) for line in file if line.startswith(key + ":"))
