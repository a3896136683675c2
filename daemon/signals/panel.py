"""The panel: everything that the crew sees, hears and presses at the post. The companion `signals`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from witnesspost.daemon.companion import PostView, Pulse
from witnesspost.daemon.signals.bank import Bank, Line
from witnesspost.daemon.signals.button import Button, Press
from witnesspost.daemon.signals.outputs import LEDS, OutputError
from witnesspost.daemon.signals.signals import Signals
from witnesspost.rules.alert import Change
from witnesspost.rules.facts import Acknowledge, OutputFailed, Shelve
from witnesspost.rules.site.model import Site

SHELVE_S = 600.0
_NEWS_S = 2.0  # a check that passed longer ago is not shown by a panel that starts anew: some turns of the loop


class NoOutput(Exception):
    """All lights and sounds that worked have failed."""


class Known:
    """What is known of the outputs from one panel of this process to the next, by name: which have worked, and what was
    told to be wrong with which."""

    def __init__(self) -> None:
        self.answered: set[str] = set()
        self.troubles: dict[str, str] = {}


class Panel:
    """Plays the post's state on the outputs of `site`, and tells the post what the button says.

    `pins` is a gpiozero pin factory, None the board's own. Only an output that has worked can be missed: a post whose
    outputs could never be opened says so and goes on, one that has lost the last of them is of no use to its crew.
    """

    name = "signals"
    vital = True

    def __init__(self, site: Site, known: Known, pins: Any = None, leds: Path = LEDS):
        self._site, self._known, self._pins, self._leds = site, known, pins, leds
        self._bank: Bank | None = None
        self._button: Button | None = None
        self._pulse: Pulse | None = None
        self._passed_t: float | None = None

    def start(self, post: PostView) -> None:
        """Open everything, each output on its own thread, and show how things stand."""
        self._post = post
        self._bank = bank = Bank(self._site, post.now, self._pins, leds=self._leds, terminal=sys.stderr)
        if bank.problem is not None:
            post.say(bank.problem, lasting=True)
        if self._site.button is not None and bank.pins is not None:
            try:
                self._button = Button(self._site.button.pin, bank.pins, post.now, self._pressed, post.wake)
            except OutputError as error:
                post.say(str(error), lasting=True)
        self._signals = Signals([(line.driver, line.sense) for line in bank.lines])
        self._show()

    def see(self, changes: list[Change]) -> None:
        """The post's state may have changed: show it before all else."""
        self._show()

    def turn(self, t: float) -> None:
        """Keep the rhythm, look at the button, and see whether the outputs still answer."""
        self._show()
        for later in (self._signals.step(t), self._button.step(t) if self._button is not None else None):
            if later is not None:
                self._post.wake(later)
        assert self._bank is not None
        for line in self._bank.lines:
            self._look_at(line, t)
        counted = [line.driver.name for line in self._bank.lines if line.counts]
        if self._known.answered and all(name in self._known.troubles for name in counted):
            raise NoOutput("no light and no sound works any more")

    def stop(self) -> None:
        """Dark and silent, every pin free."""
        if self._button is not None:
            self._button.close()
        if self._bank is not None:
            self._bank.close(0.5)  # within what the service waits for all its companions

    def _show(self) -> None:
        pulse = self._post.pulse()
        if pulse is not self._pulse:  # the loop has come round since: the same word again would hide that it stands still
            self._pulse = pulse
            t = self._post.now()
            self._signals.show(pulse.shown, t, pulse.silent)
            if pulse.check_passed_t is not None and pulse.check_passed_t != self._passed_t:
                self._passed_t = pulse.check_passed_t
                if t - self._passed_t < _NEWS_S:
                    self._signals.check_passed(t)

    def _look_at(self, line: Line, t: float) -> None:
        """Say once what is wrong with an output, and once that it works again."""
        driver, known = line.driver, self._known
        if driver.works and line.counts:
            known.answered.add(driver.name)
        trouble = driver.refused or driver.trouble(t)
        if trouble is not None and driver.name not in known.troubles:
            known.troubles[driver.name] = trouble
            if driver.refused is not None and driver.name not in known.answered:
                self._post.say(driver.refused, lasting=True)  # the site file names what this machine does not have
            else:
                self._post.tell(OutputFailed(t=t, stream="", output=driver.name, error=trouble))
        elif trouble is None and driver.works and known.troubles.pop(driver.name, None) is not None:
            self._post.tell(OutputFailed(t=t, stream="", output=driver.name, error=None))

    def _pressed(self, press: Press) -> None:
        if press == "stuck":
            self._post.say("the button has been down for half a minute: is something leaning on it?")
            return
        t = self._post.now()
        self._post.tell(Acknowledge(t=t, stream="") if press == "short" else Shelve(t=t, stream="", for_s=SHELVE_S))
