"""When alerts become a nuisance to the person who hears them: chattering and floods, counted over a run's changes.

Figures as the trade press quotes ISA-18.2 and IEC 62682 (the standards' own text was not seen): an alert that sounds three
or more times within a minute chatters; a person to whom over ten sound within ten minutes is in a flood (sources differ
on exactly ten). What is recorded in silence, as a consequence or shelved, is no nuisance.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from witnesspost.rules.alert import Change
from witnesspost.rules.engine.consequences import graver
from witnesspost.rules.site.model import Severity

CHATTER_SOUNDS, CHATTER_S = 3, 60.0
FLOOD_OVER, FLOOD_S = 10, 600.0


def chattering(changes: Iterable[Change]) -> list[str]:
    """The rules of which one alert (one cause on one stream) sounded three or more times within a minute.

    An alert that becomes graver while it stands has not come again.
    """
    sounds: dict[tuple[str, str, str], list[float]] = {}
    sounded: dict[int, Severity] = {}  # the alerts that are not over, as grave as they sounded last
    for change in changes:
        if change.change in ("normal", "cleared"):
            sounded.pop(change.alert, None)
        if not change.sounds:
            continue
        before, sounded[change.alert] = sounded.get(change.alert), change.severity
        if before is None or not graver(change.severity, before):
            sounds.setdefault((change.rule, change.cause, change.stream), []).append(change.t)
    return sorted({rule for (rule, _, _), times in sounds.items() if _most_within(times, CHATTER_S) >= CHATTER_SOUNDS})


def in_flood(changes: Iterable[Change]) -> bool:
    """True if over ten alerts sounded within any ten minutes."""
    return _most_within([change.t for change in changes if change.sounds], FLOOD_S) > FLOOD_OVER


def _most_within(times: Sequence[float], window_s: float) -> int:
    """The largest number of these times, in order, that lie within one window (its end not included)."""
    most = first = 0
    for last, t in enumerate(times):
        while t - times[first] >= window_s:
            first += 1
        most = max(most, last - first + 1)
    return most
