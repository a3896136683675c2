"""The things that light up and sound: a buzzer or LED on a GPIO pin, an LED of the kernel's, the bench's bell.

An output is on or off. Pins are gpiozero's, always over a pin factory that the caller names: a post that is meant to
sound must never run on a pretended pin without anybody knowing.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal, Protocol, TextIO

from witnesspost.rules.site.model import Signal

LEDS = Path("/sys/class/leds")


class OutputError(Exception):
    """An output cannot be used; the text says what, why and what was expected, in one line."""


class Output(Protocol):
    """Something that can be on or off, and that ends off."""

    def set(self, on: bool) -> None:
        """Switch it; OSError where the device is gone."""

    def close(self) -> None:
        """Switch it off and let go of the device."""


def name_of(signal: Signal) -> str:
    """What people call this output."""
    if signal.kind == "bell":
        return "terminal bell"
    return f"LED {signal.led}" if signal.kind == "led-class" else f"{signal.kind} on GPIO {signal.pin}"


def sense_of(signal: Signal) -> Literal["sound", "light"]:
    """Whether it is heard or seen."""
    return "sound" if signal.kind in ("buzzer", "bell") else "light"


def board_pins() -> Any:
    """The pin factory of a board (gpiozero over lgpio, the kernel's GPIO character device).

    Raises OutputError where this machine has none: no library, no chip, no rights.
    """
    try:
        from gpiozero.pins.lgpio import LGPIOFactory

        return LGPIOFactory()
    except ImportError as error:
        raise OutputError(f"no GPIO on this machine: {error.name or error} is not installed (extra: gpio)") from None
    except Exception as error:  # lgpio raises its own error class, gpiozero others, by kind of board
        raise OutputError(f"no GPIO on this machine: {error} (a board with /dev/gpiochip0, group gpio)") from None


def open_output(signal: Signal, pins: Any, leds: Path = LEDS, terminal: TextIO | None = None) -> Output:
    """The output that one [[signal]] of the site file names, switched off. Raises OutputError where it cannot be had.

    `pins` is a gpiozero pin factory, needed by buzzer and led; `leds` is the kernel's LED folder.
    """
    name = name_of(signal)
    if signal.kind == "led-class":
        return KernelLed(name, signal.led or "", leds)
    if signal.kind == "bell":
        return Bell(terminal)
    assert signal.pin is not None  # the site file's reader has seen to it
    return Pin(name, signal.pin, signal.active_high, pins)


@contextlib.contextmanager
def pin_wanted(name: str) -> Iterator[None]:
    """Turns what gpiozero and the library under it raise, when a pin cannot be had, into one OutputError on `name`."""
    from gpiozero import GPIOPinInUse, PinInvalidPin

    try:
        yield
    except PinInvalidPin:
        raise OutputError(f"{name}: there is no such pin; expected a GPIO number (BCM) of the header") from None
    except GPIOPinInUse:
        raise OutputError(f"{name}: the pin is taken by another output or the button") from None
    except Exception as error:  # the pin library's own class: "GPIO busy" where another program holds the line
        raise OutputError(f"{name}: {error}; is another program using the pin?") from None


class Pin:
    """A buzzer or an LED on a GPIO pin (BCM number), which starts off: a pin left as found may start loud."""

    def __init__(self, name: str, pin: int, active_high: bool, pins: Any):
        from gpiozero import DigitalOutputDevice

        with pin_wanted(name):
            self._device = DigitalOutputDevice(pin, active_high=active_high, initial_value=False, pin_factory=pins)

    def set(self, on: bool) -> None:
        """Switch the pin."""
        self._device.value = on

    def close(self) -> None:
        """Off, and free for others."""
        self._device.off()
        self._device.close()


class KernelLed:
    """An LED of the kernel's LED class, by its name under /sys/class/leds. Its trigger is taken and given back."""

    def __init__(self, name: str, led: str, leds: Path = LEDS):
        folder = leds / led
        there = sorted(entry.name for entry in leds.iterdir()) if leds.is_dir() else []
        if led not in there:
            listed = f"expected one of {', '.join(there)}" if there else "this machine has none"
            raise OutputError(f"{name}: no such LED under {leds}; {listed}")
        self._brightness, self._trigger = folder / "brightness", folder / "trigger"
        try:
            self._full = (folder / "max_brightness").read_text().strip() or "1"
            self._was = _chosen(self._trigger.read_text())
            self._trigger.write_text("none")
            self.set(False)
        except OSError as error:
            raise OutputError(f"{name}: {error.strerror}; expected write access to {folder}") from None

    def set(self, on: bool) -> None:
        """Full brightness, or none."""
        self._brightness.write_text(self._full if on else "0")

    def close(self) -> None:
        """Off, and back to the trigger that it had."""
        self.set(False)
        if self._was:
            self._trigger.write_text(self._was)


class Bell:
    """The bench's bell: a BEL to the terminal at each beginning of a sound; silent where there is no terminal."""

    def __init__(self, terminal: TextIO | None):
        # Past the stream's own buffer: whoever is held up while writing would keep its lock from all others.
        self._terminal = terminal.fileno() if terminal is not None and terminal.isatty() else None
        self._on = False

    def set(self, on: bool) -> None:
        """A BEL when it goes on."""
        if on and not self._on and self._terminal is not None:
            os.write(self._terminal, b"\a")
        self._on = on

    def close(self) -> None:
        """Nothing to switch off: a bell ends by itself."""
        self._on = False


def _chosen(triggers: str) -> str:
    """The trigger in brackets of a list such as "none [heartbeat] timer"; "" where none is."""
    return triggers.partition("[")[2].partition("]")[0]
