"""One small thread that steps what lives in time: the signals' rhythms and the button's presses.

It is apart from the watch, so that a rule that hangs leaves no buzzer stuck in the middle of a beat.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

Step = Callable[[float], float | None]

_LOOK_AGAIN_S = 1.0  # so that a clock that was asleep with the board is noticed


class Stepper:
    """Calls every step with the time, again when the earliest of them asks for it, and at once after `wake`.

    `clock` gives seconds; a step returns the time at which it wants the next call, or None.
    """

    def __init__(self, clock: Callable[[], float], steps: list[Step] | None = None):
        self.steps = steps or []
        self._clock = clock
        self._news = threading.Event()
        self._ended = False
        self._thread = threading.Thread(target=self._run, name="stepper", daemon=True)

    def start(self) -> None:
        """Begin stepping."""
        self._thread.start()

    def wake(self) -> None:
        """Something changed: look now."""
        self._news.set()

    def stop(self) -> None:
        """End the thread; no step is called any more when this returns."""
        self._ended = True
        self._news.set()
        if self._thread.is_alive():
            self._thread.join()

    def _run(self) -> None:
        while not self._ended:
            self._news.clear()
            t = self._clock()
            wanted = [at for step in self.steps if (at := step(t)) is not None]
            wait_s = min([at - t for at in wanted], default=_LOOK_AGAIN_S)
            self._news.wait(min(max(wait_s, 0.001), _LOOK_AGAIN_S))
