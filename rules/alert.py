"""What the engine says: an alert changed. One object for the log, the page, the signals and `--json` alike."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal, NamedTuple

from msgspec import Struct
from witnesspost.rules.finding import Cause
from witnesspost.rules.site.model import Role, Severity

GRAVITY: Mapping[Severity, int] = {"note": 0, "check": 1, "stop": 2}
"""How grave a severity is, the gravest highest."""

ChangeKind = Literal["raised", "cause", "acknowledged", "normal", "cleared"]
"""`raised` (again, where it became graver or what explained it is over), `cause`: another first cause, `normal`: over, not yet
seen."""


class Sentence(Struct, kw_only=True, frozen=True):
    """What an alert says: the key of its sentence (`rule` and `cause`) and the figures in it, for `rules.book.words`."""

    rule: str
    cause: str
    stream: str
    role: Role
    evidence: dict[str, Any]
    words: dict[str, str]


class RowKey(NamedTuple):
    """Which row of the post's logs a change is: `run` names the file (`42-9f3a61`: its number, and a random id drawn when its
    folder was begun), `seq` is the row's `n` in the file's table `alert`."""

    run: str
    seq: int


class Held(NamedTuple):
    """The condition has ended `back_s` ago, but it came `times` within a minute: the alert stays open, not to chatter."""

    back_s: float
    times: int


class AnyChange(Struct, kw_only=True):
    """An alert's change of state at `t`, in the words of IEC 62682 (see `rules.engine.engine`), as it is live and in a log.

    `utc` is ISO 8601 with "Z", None while no receiver has said the time. `because_of` names the rule that explains this
    alert: then it makes no sound. `alert` numbers the run's alerts from 1: the changes of one alert share it.
    """

    alert: int
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

    @property
    def is_quiet(self) -> bool:
        """True where it makes no sound because it came as often before, and no longer."""
        return "quiet_s" in self.evidence


class Change(AnyChange, kw_only=True):
    """A change as the engine says it. `shelved` is true while a person has silenced the alert.

    What a person reads is made of it by `rules.book.words`: `rule` and `cause` are the key of its sentence, `evidence` and
    `words` the figures in it.
    """

    post: str
    role: Role
    words: dict[str, str]
    shelved: bool = False

    @property
    def sounds(self) -> bool:
        """True if a person should hear it: raised, nobody's consequence, not shelved, no mere repetition."""
        return self.change == "raised" and self.because_of is None and not self.shelved and not self.is_quiet
