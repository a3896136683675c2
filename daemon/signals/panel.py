"""The panel: a site's outputs and its button, with the one thread that steps them."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from witnesspost.daemon.signals.button import Button, Press
from witnesspost.daemon.signals.outputs import LEDS, OutputError
from witnesspost.daemon.signals.patterns import State
from witnesspost.daemon.signals.signals import Signals
from witnesspost.daemon.signals.stepping import Stepper
from witnesspost.rules.site.model import Site


class Panel:
    """Everything that the crew sees, hears and presses at the post.

    `clock` gives seconds, the same ones that `show` is told; `on_press` is called from the panel's own thread and must
    return at once; `pins` is a gpiozero pin factory, None the board's own. `problems` names what cannot be used, one
    line each: the caller takes them out and says them.
    """

    def __init__(
        self,
        site: Site,
        clock: Callable[[], float],
        on_press: Callable[[Press], None],
        pins: Any = None,
        leds: Path = LEDS,
    ):
        self._stepper = Stepper(clock)
        self._signals = Signals(site, pins, leds=leds, terminal=sys.stderr, woken=self._stepper.wake)
        self._button: Button | None = None
        self.problems = self._signals.problems
        self._stepper.steps.append(self._signals.step)
        if site.button is not None and self._signals.pins is not None:
            try:
                self._button = Button(site.button.pin, self._signals.pins, clock, on_press, self._stepper.wake)
                self._stepper.steps.append(self._button.step)
            except OutputError as error:
                self.problems.append(str(error))

    @property
    def state(self) -> State:
        """What is being shown."""
        return self._signals.state

    def start(self) -> None:
        """Begin stepping; the outputs stay dark until the first `show`."""
        self._stepper.start()

    def show(self, state: State, t: float, silent: bool = False) -> None:
        """See `Signals.show`: to be called at every turn of the watch."""
        self._signals.show(state, t, silent)

    def close(self) -> None:
        """Everything off, every pin free."""
        self._stepper.stop()
        if self._button is not None:
            self._button.close()
        self._signals.close()
