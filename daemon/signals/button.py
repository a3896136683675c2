"""The push button: a short press acknowledges, a long one shelves for ten minutes.

A press is judged from its edges and from time alone, so a contact that bounces, a button that something leans on and
one that is down since the start all come to nothing or to one thing.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

from witnesspost.daemon.signals.outputs import pin_wanted

SETTLED_S = 0.03  # contacts are quiet this long before a level counts; common practice, no source
LONG_S = 2.0
STUCK_S = 30.0

Press = Literal["short", "long", "stuck"]


class Presses:
    """Edges in, presses out. `down` is the level at the start: a button that is down then must come up first."""

    def __init__(self, down: bool = False, t: float = 0.0):
        self._level = down
        self._level_at = t
        self._down_at: float | None = None
        self._settled = down
        self._said: Press | None = "long" if down else None

    def edge(self, down: bool, t: float) -> None:
        """The contact changed to `down` (or up) at `t`."""
        if down != self._level:
            self._level, self._level_at = down, t

    def step(self, t: float) -> tuple[Press | None, float | None]:
        """What the person did by now, if anything, and when to ask again (None: after the next edge)."""
        if self._level != self._settled:
            settled_at = self._level_at + SETTLED_S
            if t < settled_at:
                return None, settled_at
            self._settled = self._level
            if self._settled:
                self._down_at, self._said = self._level_at, None
            else:
                down_at, self._down_at = self._down_at, None
                if self._said is None and down_at is not None:
                    return "short", None
        if self._settled and self._down_at is not None:
            long_at, stuck_at = self._down_at + LONG_S, self._down_at + STUCK_S
            if self._said is None:
                if t < long_at:
                    return None, long_at
                self._said = "long"
                return "long", stuck_at
            if self._said == "long":
                if t < stuck_at:
                    return None, stuck_at
                self._said = "stuck"
                return "stuck", None
        return None, None


class Button:
    """The button on its pin (to ground, the pin's own pull-up). Raises OutputError where the pin cannot be had.

    `on_press` is called with each press by whoever calls `step`; it must return at once. `woken` is called at each
    edge.
    """

    def __init__(
        self,
        pin: int,
        pins: Any,
        clock: Callable[[], float],
        on_press: Callable[[Press], None],
        woken: Callable[[], None] = lambda: None,
    ):
        from gpiozero import DigitalInputDevice

        self.name = f"button on GPIO {pin}"
        self._clock, self._on_press, self._woken = clock, on_press, woken
        with pin_wanted(self.name):
            self._device = DigitalInputDevice(pin, pull_up=True, pin_factory=pins)
        self._presses = Presses(self._device.is_active, clock())
        self._device.when_activated = lambda: self._edge(True)
        self._device.when_deactivated = lambda: self._edge(False)

    def step(self, t: float) -> float | None:
        """Judge the edges so far; the time at which to ask again, or None."""
        press, later = self._presses.step(t)
        if press is not None:
            self._on_press(press)
        return later

    def close(self) -> None:
        """Let go of the pin."""
        self._device.close()

    def _edge(self, down: bool) -> None:
        self._presses.edge(down, self._clock())
        self._woken()
