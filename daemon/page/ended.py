"""What was over a short while ago, so that a person can still say what solved it. No clock here: `t` is the run's."""

from __future__ import annotations

from collections.abc import Iterable

from witnesspost.rules.alert import Change

ASKED_S = 1800.0  # a crew has put the radio right and comes back to the phone: common practice, no source
_MOST = 3


class Ended:
    """The latest alerts that were cleared, one a rule and cause; none that came back or that somebody has answered."""

    def __init__(self) -> None:
        self._cleared: dict[tuple[str, str], Change] = {}
        self._answered: set[tuple[str, str]] = set()

    def see(self, changes: Iterable[Change]) -> None:
        """Alerts changed. Consequences end with what explains them, and nobody is asked."""
        for change in changes:
            key = change.rule, change.cause
            if change.change == "raised":
                self._answered.discard(key)
                self._cleared.pop(key, None)
            elif change.change == "cleared" and change.because_of is None and "of_run" not in change.evidence:
                self._cleared.pop(key, None)
                if key not in self._answered:
                    self._cleared[key] = change

    def answer(self, rule: str, cause: str) -> None:
        """Somebody has said what solved it."""
        self._answered.add((rule, cause))
        self._cleared.pop((rule, cause), None)

    def asked(self, t: float) -> list[Change]:
        """Those of the last half hour, the latest first."""
        return [change for change in reversed(self._cleared.values()) if t - change.t <= ASKED_S][:_MOST]
