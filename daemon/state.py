"""The post's state in one word: what it shows, what it sounds, and the first thing that it says."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal, Protocol

from witnesspost.rules.alert import ChangeKind
from witnesspost.rules.site.model import Severity

State = Literal["dark", "starting", "well", "past", "note", "check", "stop", "fault"]


WORDS: Mapping[str, str] = {"past": "stop over, not seen"}
"""What people read, where it is not the state itself."""


class AlertLike(Protocol):
    """An alert that is not cleared: a `rules.engine.open_alert.OpenAlert`, or its latest change."""

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


def state_of(alerts: Iterable[AlertLike]) -> tuple[State, bool]:
    """What to show for these alerts and whether silently.

    The worst counts: stop, check, `past` (a stop alert that returned to normal and was not acknowledged), note. A
    consequence of another alert is not shown; one that is acknowledged or shelved keeps its light and loses its sound.
    """
    roots = [alert for alert in alerts if alert.because_of is None and alert.change != "cleared"]
    now = [alert for alert in roots if alert.change != "normal"]
    steps: list[tuple[State, list[AlertLike]]] = [
        ("stop", [alert for alert in now if alert.severity == "stop"]),
        ("check", [alert for alert in now if alert.severity == "check"]),
        ("past", [alert for alert in roots if alert.change == "normal"]),
        ("note", [alert for alert in now if alert.severity == "note"]),
    ]
    for state, found in steps:
        if found:
            return state, not any(alert.sounds for alert in found)
    return "well", False
