"""All outputs of a site, each on a thread of its own."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, Literal, NamedTuple, TextIO

from witnesspost.daemon.signals.driver import DEADLINE_S, Driver
from witnesspost.daemon.signals.outputs import LEDS, OutputError, board_pins, name_of, open_output, sense_of
from witnesspost.rules.site.model import Site


class Line(NamedTuple):
    """An output's driver. `counts` is false for the bench's bell: a post whose only output is silent may go on with that."""

    driver: Driver
    sense: Literal["sound", "light"]
    counts: bool


class Bank:
    """Opens them at once and does not wait for any. `clock` gives seconds.

    `pins` is a gpiozero pin factory; None means the board's own, opened only where the site file names a pin. `leds` is
    the kernel's LED folder, `terminal` where the bell rings. `problem` says what is missing for all pins, None if nothing.
    """

    def __init__(
        self,
        site: Site,
        clock: Callable[[], float],
        pins: Any = None,
        *,
        leds: Path = LEDS,
        terminal: TextIO | None = None,
    ):
        self.pins = pins
        self.problem: str | None = None
        if pins is None and (site.button or any(signal.pin is not None for signal in site.signal)):
            try:
                self.pins = board_pins()
            except OutputError as error:
                self.problem = str(error)
        self.lines = [
            Line(
                Driver(name_of(signal), partial(open_output, signal, self.pins, leds, terminal), clock),
                sense_of(signal),
                counts=signal.kind != "bell",
            )
            for signal in site.signal
            if signal.pin is None or self.pins is not None  # a machine without GPIO has been said once
        ]

    def close(self, timeout_s: float = DEADLINE_S) -> None:
        """Everything off, and every device let go; what has not come to its end after `timeout_s` is left behind."""
        for line in self.lines:
            line.driver.close()
        until = time.monotonic() + timeout_s
        for line in self.lines:
            line.driver.join(max(0.0, until - time.monotonic()))
