"""Signals: the post's outputs, playing what its state says. The state comes in with a time; nothing here reads a clock.

changes ──► state_of ──► show(state, t) ──► rhythm of each output ──► step(t) ──► pins
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import Any, Protocol, TextIO

from witnesspost.daemon.signals.outputs import LEDS, Output, OutputError, board_pins, open_output
from witnesspost.daemon.signals.patterns import PATTERNS, State
from witnesspost.rules.alert import ChangeKind
from witnesspost.rules.site.model import Severity, Signal, Site

STALLED_AFTER_S = 10.0  # a watch that has said nothing for this long is in trouble, whatever it said last


class Standing(Protocol):
    """An alert that stands: a `rules.engine.open_alert.OpenAlert`, or its latest change."""

    @property
    def severity(self) -> Severity:
        """How bad it is."""

    @property
    def change(self) -> ChangeKind:
        """The state that its last change brought it to."""

    @property
    def because_of(self) -> str | None:
        """The rule that explains it."""

    @property
    def sounds(self) -> bool:
        """True while a person should hear it."""


def state_of(standing: Iterable[Standing]) -> tuple[State, bool]:
    """What to show for the alerts that stand and whether silently.

    The worst counts: stop, check, `past` (a stop alert that returned to normal and was not acknowledged), note. A
    consequence of another alert is not shown; one that is acknowledged or shelved keeps its light and loses its sound.
    """
    roots = [change for change in standing if change.because_of is None and change.change != "cleared"]
    now = [change for change in roots if change.change != "normal"]
    steps: list[tuple[State, list[Standing]]] = [
        ("stop", [change for change in now if change.severity == "stop"]),
        ("check", [change for change in now if change.severity == "check"]),
        ("past", [change for change in roots if change.change == "normal"]),
        ("note", [change for change in now if change.severity == "note"]),
    ]
    for state, changes in steps:
        if changes:
            return state, not any(change.sounds for change in changes)
    return "well", False


class Signals:
    """The outputs of a site, dark until something is shown. What cannot be used is in `problems`, one line each.

    `pins` is a gpiozero pin factory; None means the board's own, opened only where the site file names a pin. `leds` is
    the kernel's LED folder, `terminal` where the bell rings. `woken` is called after each `show`, so that whoever steps
    the rhythms looks again at once.
    """

    def __init__(
        self,
        site: Site,
        pins: Any = None,
        *,
        leds: Path = LEDS,
        terminal: TextIO | None = None,
        woken: Callable[[], None] = lambda: None,
    ):
        self.problems: list[str] = []
        self.pins = pins
        self.woken = woken
        self._lock = threading.RLock()
        self._outputs: list[_Playing] = []
        self._state: State = "dark"
        self._silent = True
        self._since_ms = 0
        self._shown_at: float | None = None
        if pins is None and (site.button or any(signal.pin is not None for signal in site.signal)):
            self._try(self._open_board)
        for signal in site.signal:
            if signal.pin is None or self.pins is not None:  # a machine without GPIO has been said once
                self._try(partial(self._open, signal, leds, terminal))

    @property
    def state(self) -> State:
        """What is being shown."""
        return self._state

    @property
    def works(self) -> bool:
        """True if there is any output at all."""
        return bool(self._outputs)

    def show(self, state: State, t: float, silent: bool = False) -> None:
        """From `t` (seconds) on, say `state`; `silent` leaves the ear out. The outputs are switched before it returns.

        Saying the same again changes nothing, but it must be said again and again: a watch that has been quiet for
        STALLED_AFTER_S has stalled, and the outputs say `fault`.
        """
        with self._lock:
            self._shown_at = t
            self._begin(state, silent, t)
            self._play(t)
        self.woken()

    def step(self, t: float) -> float | None:
        """Bring every output to where its rhythm is at `t`; the time at which something changes next, or None."""
        with self._lock:
            if self._shown_at is None:
                return None
            stalls_at = self._shown_at + STALLED_AFTER_S
            if t >= stalls_at:
                self._begin("fault", False, t)
            later = self._play(t)
            if t < stalls_at:
                later = stalls_at if later is None else min(later, stalls_at)
            return later

    def close(self) -> None:
        """Everything off, and every device let go."""
        with self._lock:
            self._shown_at = None
            self._state = "dark"
            for playing in self._outputs:
                self._try(playing.output.close)
            self._outputs.clear()

    def _begin(self, state: State, silent: bool, t: float) -> None:
        if (state, silent) == (self._state, self._silent):
            return
        if state != self._state or not silent:  # the light keeps its rhythm when only the sound is taken away
            self._since_ms = round(t * 1000)
        self._state, self._silent = state, silent

    def _play(self, t: float) -> float | None:
        since_ms = round(t * 1000) - self._since_ms
        pattern = PATTERNS[self._state]
        next_ms: int | None = None
        for playing in list(self._outputs):
            rhythm = pattern.light if playing.output.sense == "light" else None if self._silent else pattern.sound
            on, change_ms = rhythm.at(max(since_ms, 0)) if rhythm else (False, None)
            if change_ms is not None:
                next_ms = change_ms if next_ms is None else min(next_ms, change_ms)
            if on != playing.on:
                playing.on = on
                if not self._try(partial(playing.output.set, on)):
                    self._outputs.remove(playing)
        return None if next_ms is None else (round(t * 1000) + next_ms) / 1000

    def _open(self, signal: Signal, leds: Path, terminal: TextIO | None) -> None:
        self._outputs.append(_Playing(open_output(signal, self.pins, leds, terminal)))

    def _open_board(self) -> None:
        self.pins = board_pins()

    def _try(self, what: Callable[[], object]) -> bool:
        """A fault of an output is said, and never stops the watch."""
        try:
            what()
        except OutputError as error:
            self.problems.append(str(error))
            return False
        except Exception as error:  # the pin library's own class, or OSError where an LED has gone
            self.problems.append(f"an output is out of order: {error}")
            return False
        return True


class _Playing:
    """An output, and what it was last told."""

    def __init__(self, output: Output):
        self.output = output
        self.on = False
