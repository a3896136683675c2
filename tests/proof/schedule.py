"""What the kernel says of a process's threads: for how long each ran, and waited for a core (schedstat, proc(5)).

A busy machine or a slow one makes everything late. Whoever judges how late a program is takes off what it could not help.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple


class Spent(NamedTuple):
    """Seconds that a thread has run, and has waited for a core, since it began."""

    ran_s: float
    waited_s: float


class Moment(NamedTuple):
    """What each thread had spent at a time of the monotonic clock."""

    at: float
    spent: dict[str, Spent]


def spent_by(pid: int) -> dict[str, Spent]:
    """What each thread of a process has spent so far; a wait counts when it is over."""
    spent = {}
    with contextlib.suppress(FileNotFoundError, ProcessLookupError):
        for task in Path(f"/proc/{pid}/task").iterdir():
            with contextlib.suppress(FileNotFoundError, ProcessLookupError):
                ran, waited, _ = (task / "schedstat").read_text().split()
                spent[task.name] = Spent(int(ran) / 1e9, int(waited) / 1e9)
    return spent


def left_s(moments: Sequence[Moment], *, ran: bool) -> float:
    """The seconds between the first moment and the last in which no thread waited for a core, nor, with `ran`, ran.

    A process is held up for as long as its slowest thread: of what its threads spent between two moments the most counts, and
    not the sum, since they wait at the same time. A wait is known when it is over, and lies before that: what a thread spent
    goes to the time before each moment.
    """
    totals = [{thread: s.waited_s + (s.ran_s if ran else 0.0) for thread, s in one.spent.items()} for one in moments]
    spent_s = [0.0] * len(moments)
    for thread in {thread for total in totals for thread in total}:
        over_s = 0.0
        for index in range(len(moments) - 1, 0, -1):
            over_s += max(0.0, totals[index].get(thread, 0.0) - totals[index - 1].get(thread, 0.0))
            here_s = min(over_s, moments[index].at - moments[index - 1].at)
            spent_s[index] = max(spent_s[index], here_s)
            over_s -= here_s
    return sum(b.at - a.at - s for (a, b), s in zip(pairwise(moments), spent_s[1:], strict=True))
