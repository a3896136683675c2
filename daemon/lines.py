"""An alert's change for a person, with the steps that come first, and as one JSON object for a program."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import msgspec
from witnesspost.daemon.local_time import Stamps
from witnesspost.daemon.screen import Entry, Look, entry_text
from witnesspost.rules.alert import Change, RowKey
from witnesspost.rules.book.words import words
from witnesspost.rules.gnss import FixQuality
from witnesspost.rules.language.speech import ENGLISH, Speech

QUALITY_WORDS: dict[int, str] = {
    FixQuality.NONE: "no position",
    FixQuality.AUTONOMOUS: "autonomous",
    FixQuality.DIFFERENTIAL: "differential",
    FixQuality.RTK_FIXED: "RTK fixed",
    FixQuality.RTK_FLOAT: "RTK float",
    FixQuality.ESTIMATED: "estimated",
}
"""GGA's quality, as people read it."""

ROWS = "row"
"""The catalogue's context of what stands before a line: log, port, ready."""

_OTHERS = {"acknowledged": "seen", "normal": "over", "cleared": "over"}
_MOST_RAISED = 1000  # alerts whose beginning is remembered


class _Raising(msgspec.Struct):
    """From when to when an alert stood; `over_t` is None while it does. One that nobody has seen can be raised again."""

    t: float
    over_t: float | None = None


class Teller:
    """Changes in words, in the order in which they come: so that an end says how long it lasted.

    `hints` says of an alert's steps how often each has helped.
    """

    def __init__(self, stamps: Stamps, speech: Speech = ENGLISH, hints: Callable[[Change], Sequence[str]] = lambda change: ()):
        self._stamps = stamps
        self._speech = speech
        self._hints = hints
        self._raisings: dict[int, _Raising] = {}

    def text(self, change: Change, look: Look) -> str:
        """A change in lines, as `look` asks for."""
        return entry_text(self.entry(change), look)

    def entry(self, change: Change) -> Entry:
        """A change in words. The steps are there where somebody should act: it sounds, or its first cause is another now."""
        phrase = self._speech.phrase
        say, steps = words(change, self._speech)
        key = f"({change.rule}: {change.cause})"
        word: str = change.severity
        self._follow(change)
        if change.change in ("raised", "cause"):
            because = f"{phrase(f'Along with {change.because_of}:')} " if change.because_of else ""
            another = f"{phrase('Another cause now:')} " if change.change == "cause" and not because else ""
            text = f"{because}{another}{say}"
            quiet = change.because_of is not None or change.shelved or change.is_quiet
        else:
            word, quiet = _OTHERS[change.change], True
            text = phrase(self._end(change, say))
        word = word if quiet or change.change == "cause" else word.upper()
        return Entry(
            word=word,
            shown=phrase(word),
            clock=self._stamps(change.t, change.utc),
            text=f"{text} {key}",
            steps=[] if quiet else hinted(steps, [phrase(hint) for hint in self._hints(change)]),
            depth=1 if change.because_of else 0,
        )

    def _follow(self, change: Change) -> None:
        raising = self._raisings.get(change.alert)
        if change.change in ("raised", "cause"):
            if raising is None or raising.over_t is not None:  # otherwise it is graver, or has another cause
                self._raisings[change.alert] = _Raising(change.t)
                if len(self._raisings) > _MOST_RAISED:
                    del self._raisings[next(iter(self._raisings))]
        elif change.change != "acknowledged" and raising is not None and raising.over_t is None:
            raising.over_t = change.t

    def _end(self, change: Change, say: str) -> str:
        if change.change in ("normal", "cleared") and (run := change.evidence.get("of_run")) is not None:
            if change.change == "cleared":
                return (
                    f"Seen{seen_words(change.evidence)}." if "seen_t" in change.evidence else "A day old: nobody has seen it."
                )
            over = change.evidence.get("over_utc")
            when = f", over since {self._stamps(change.t, over)}" if over else ""
            return f"Not seen in the run before ({run}{when}): {say}"
        raising = self._raisings.get(change.alert)
        after = None if raising is None else span((change.t if raising.over_t is None else raising.over_t) - raising.t)
        seen = seen_words(change.evidence)
        if change.change == "acknowledged":
            return f"{seen[1:2].upper()}{seen[2:]}{f', after {after}' if after else ''}. It still stands."
        if change.change == "cleared":
            self._raisings.pop(change.alert, None)
            seen = f" Seen{seen}." if "seen_t" in change.evidence else ""
            return f"It lasted {after}.{seen}" if after else f"It is over.{seen}"
        unseen = "" if change.because_of else ", and nobody has seen it yet"  # of a consequence nobody is asked
        return f"It lasted {after}{unseen}." if after else f"It is over{unseen}."


def seen_words(evidence: Mapping[str, Any]) -> str:
    """By whom an alert was seen, and what they noted; a press of the button gives no name."""
    by, note = evidence.get("seen_by"), evidence.get("seen_note")
    return f"{f' by {by}' if by else ' at the button'}{f' ({note})' if note else ''}"


def hinted(steps: Sequence[str], hints: Sequence[str]) -> list[str]:
    """Each step with how often it has helped here, where it has."""
    return [f"{step} ({hint})" if hint else step for step, hint in zip(steps, [*hints, *[""] * len(steps)], strict=False)]


def span(seconds: float) -> str:
    """How long, as short as a person needs it."""
    if seconds < 100:
        return f"{seconds:.0f} s"
    if seconds < 6000:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} h" if seconds < 360_000 else f"{seconds / 86400:.0f} days"


def millimetres(*metres: float) -> str:
    """Lengths as a person reads them: `4, 0, −3 mm`."""
    return ", ".join(f"{round(part * 1000)}".replace("-", "−") for part in metres) + " mm"


def check_line(point: str, east_m: float, north_m: float, up_m: float, by: str | None = None) -> str:
    """What a person reads of a check that has passed; `by` is who has declared it."""
    return f"check-in on {point}{f' by {by}' if by else ''} passed ({millimetres(east_m, north_m, up_m)}: east, north, up)"


def ready_words(yes: str, no: str, holds: Sequence[str], missing: Sequence[str], phrase: Callable[[str], str] = str) -> str:
    """Whether work can begin: `yes` and what holds, or `no`, what is missing and what holds; in words of `phrase`."""
    having = ", ".join(map(phrase, holds))
    if not missing:
        return f"{phrase(yes)}: {having}"
    return f"{phrase(no)}: {', '.join(map(phrase, missing))}{f' ({having})' if having else ''}"


def json_line(change: Change, row_key: RowKey | None = None) -> str:
    """One JSON object: `causes` without empty residuals, and in place of the words' figures the words themselves. `run` and
    `seq` are null where no log has the change."""
    table = msgspec.to_builtins(change)
    del table["words"], table["role"]
    post, shelved = table.pop("post"), table.pop("shelved")
    run, seq = row_key if row_key is not None else (None, None)
    table = {"post": post, "run": run, "alert": table.pop("alert"), "seq": seq, **table}
    table |= {**words(change)._asdict(), "shelved": shelved}
    for cause in table["causes"]:
        if cause["residual_m"] is None:
            del cause["residual_m"]
    return msgspec.json.encode(table).decode()
