"""Signals: the post's outputs, playing what its state says. The state comes in with a time; nothing here reads a clock.

show(state, t) ──► rhythm of each output ──► step(t) ──► outputs
check_passed(t) ──► the light's own short sign, over "well" and "note" alone
"""

from __future__ import annotations

from typing import Literal, Protocol

from witnesspost.daemon.signals.patterns import PASSED_LIGHT, PATTERNS
from witnesspost.daemon.state import State

_SIGN_FOR_MS = PASSED_LIGHT.turns * PASSED_LIGHT.period_ms
_SIGN_OVER: tuple[State, ...] = ("well", "note")
STALLED_AFTER_S = 10.0  # a watch that has said nothing for this long is in trouble, whatever it said last


class Switch(Protocol):
    """What is switched: an `outputs.Output`, or a `driver.Driver` of one."""

    def set(self, on: bool) -> None:
        """On, or off."""


class Signals:
    """Outputs, dark until something is shown. One that raises is the caller's to mend: `set` comes through."""

    def __init__(self, outputs: list[tuple[Switch, Literal["sound", "light"]]]):
        self._outputs = [_Playing(switch, sense) for switch, sense in outputs]
        self._state: State = "dark"
        self._silent = True
        self._since_ms = 0
        self._sign_ms: int | None = None
        self._shown_at: float | None = None

    @property
    def state(self) -> State:
        """What is being shown."""
        return self._state

    def show(self, state: State, t: float, silent: bool = False) -> None:
        """From `t` (seconds) on, say `state`; `silent` leaves the ear out. The outputs are told before it returns.

        Saying the same again changes nothing, but it must be said again and again: a watch that has been quiet for
        STALLED_AFTER_S has stalled, and the outputs say `fault`.
        """
        self._shown_at = t
        self._begin(state, silent, t)
        self._play(t)

    def check_passed(self, t: float) -> None:
        """From `t` on the light says once that a check has passed, unless there is something worse to see: its sign ends at
        once where that comes. The ear hears the state alone."""
        self._sign_ms = round(t * 1000) if self._state in _SIGN_OVER else None
        self._play(t)

    def step(self, t: float) -> float | None:
        """Bring every output to where its rhythm is at `t`; the time at which something changes next, or None."""
        if self._shown_at is None:
            return None
        stalls_at = self._shown_at + STALLED_AFTER_S
        if t >= stalls_at:
            self._begin("fault", False, t)
        later = self._play(t)
        if t < stalls_at:
            later = stalls_at if later is None else min(later, stalls_at)
        return later

    def _begin(self, state: State, silent: bool, t: float) -> None:
        if (state, silent) == (self._state, self._silent):
            return
        if state not in ("well", self._state) or state not in _SIGN_OVER:  # it has become worse
            self._sign_ms = None
        if state != self._state or not silent:  # the light keeps its rhythm when only the sound is taken away
            self._since_ms = round(t * 1000)
        self._state, self._silent = state, silent

    def _play(self, t: float) -> float | None:
        t_ms = round(t * 1000)
        if self._sign_ms is not None and t_ms >= self._sign_ms + _SIGN_FOR_MS:
            self._sign_ms = None
        pattern = PATTERNS[self._state]
        light, light_since_ms = (pattern.light, self._since_ms) if self._sign_ms is None else (PASSED_LIGHT, self._sign_ms)
        sound = None if self._silent else pattern.sound
        nexts_ms = [] if self._sign_ms is None else [self._sign_ms + _SIGN_FOR_MS - t_ms]
        for playing in self._outputs:
            rhythm, since_ms = (light, light_since_ms) if playing.sense == "light" else (sound, self._since_ms)
            on, change_ms = rhythm.state_after(max(t_ms - since_ms, 0)) if rhythm else (False, None)
            if change_ms is not None:
                nexts_ms.append(change_ms)
            if on != playing.on:
                playing.on = on
                playing.switch.set(on)
        return (t_ms + min(nexts_ms)) / 1000 if nexts_ms else None


class _Playing:
    """A switch, and what it was last told."""

    def __init__(self, switch: Switch, sense: Literal["sound", "light"]):
        self.switch = switch
        self.sense = sense
        self.on = False
