"""An output with a thread of its own and a deadline: what it is told to do never makes anybody wait.

set(on) ──► the last wish ──► its thread ──► the device
                                 └── in one call for over DEADLINE_S: `trouble` says so, until the call returns
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable

from witnesspost.daemon.signals.outputs import Output, OutputError

DEADLINE_S = 1.0
OPEN_S = 10.0  # the first time the pin library is loaded, from a slow card


class Driver:
    """Opens an output by `open_it`, then switches it, all on its own thread. `clock` gives seconds.

    `works` is true once it could be opened. `refused` is why it could not: the site file or the machine is to be mended.
    """

    def __init__(self, name: str, open_it: Callable[[], Output], clock: Callable[[], float]):
        self.name = name
        self.works = False
        self.refused: str | None = None
        self._open_it, self._clock = open_it, clock
        self._wanted = False
        self._closing = False
        self._failed: str | None = None
        self._since: float | None = clock()
        self._news = threading.Condition()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def set(self, on: bool) -> None:
        """Ask for it to be on or off: the last request counts."""
        with self._news:
            self._wanted = on
            self._news.notify_all()

    def opened(self, timeout_s: float) -> str | None:
        """Wait at most so long for it to be open; why it is not, None where it is."""
        with self._news:
            self._news.wait_for(lambda: self.works or self.refused or self._failed, timeout_s)
        return None if self.works else self.refused or self._failed or f"{self.name}: it does not answer"

    def close(self) -> None:
        """Ask it to switch off and to end; see `join`."""
        with self._news:
            self._closing = True
            self._news.notify_all()

    def join(self, timeout_s: float) -> None:
        """Wait for the end at most so long: one that hangs is left behind."""
        self._thread.join(timeout_s)

    @property
    def busy(self) -> bool:
        """True while a call of the device is under way."""
        return self._since is not None

    def trouble(self, t: float) -> str | None:
        """Why it is of no use at `t`, None where it is well."""
        since = self._since
        if self._failed is None and since is not None and t - since > (DEADLINE_S if self.works else OPEN_S):
            return "it hangs"
        return self._failed

    def _run(self) -> None:
        output: Output | None = None
        try:
            output = self._open_it()
            with self._news:
                self.works = True
                self._news.notify_all()
            on = False
            while self._next(on):
                on = self._wanted
                self._since = self._clock()
                output.set(on)
        except OutputError as error:
            self.refused = str(error)
        except Exception as error:  # the pin library's own class, or OSError where an LED has gone
            self._failed = " ".join(str(error).split()) or type(error).__name__
        if output is not None:
            with contextlib.suppress(Exception):  # what cannot be switched any more cannot be switched off
                output.close()
        with self._news:
            self._since = None
            self._news.notify_all()

    def _next(self, on: bool) -> bool:
        """Wait for another wish; False at the end."""
        self._since = None
        with self._news:
            self._news.wait_for(lambda: self._closing or self._wanted != on)
            return not self._closing
