"""What takes longer than a page's turn, on two threads of its own: logs that are read, copied and packed.

What is at work sees `ending` and gives up: nothing here holds up the end of the service.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextvars import copy_context
from typing import TypeVar

_Result = TypeVar("_Result")


class Ending(Exception):
    """The page comes to its end."""


class Worker:
    """Two threads."""

    def __init__(self) -> None:
        self.ending = threading.Event()
        self._threads = ThreadPoolExecutor(2, "page's work")

    async def do(self, work: Callable[[], _Result]) -> _Result:
        """What `work` gives, or raises."""
        return await asyncio.get_running_loop().run_in_executor(self._threads, copy_context().run, work)

    def check(self, *_: object) -> None:
        """For work that takes long, now and then. Raises Ending."""
        if self.ending.is_set():
            raise Ending

    def end(self) -> None:
        """Begin nothing more."""
        self.ending.set()
        self._threads.shutdown(wait=False, cancel_futures=True)
