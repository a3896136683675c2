"""What the engine says: an alert changed. One object for the log, the page, the signals and `--json` alike."""

from __future__ import annotations

from typing import Any, Literal

from msgspec import Struct
from witnesspost.rules.finding import Cause
from witnesspost.rules.site.model import Severity

ChangeKind = Literal["raised", "acknowledged", "normal", "cleared"]


class Change(Struct, kw_only=True):
    """An alert's change of state at `t`, in the words of IEC 62682 (see `rules.engine.engine`).

    `utc` is ISO 8601 with "Z", None while no receiver has said the time. `because_of` names the rule that explains this
    alert: then it makes no sound. `alert` numbers the run's alerts from 1: the changes of one alert share it.
    `shelved` is true while a person has silenced it.
    """

    t: float
    utc: str | None
    change: ChangeKind
    rule: str
    cause: str
    causes: list[Cause]
    severity: Severity
    stream: str
    because_of: str | None
    evidence: dict[str, Any]
    say: str
    steps: list[str]
    alert: int
    shelved: bool = False

    @property
    def sounds(self) -> bool:
        """True if a person should hear it: raised, nobody's consequence, not shelved."""
        return self.change == "raised" and self.because_of is None and not self.shelved
