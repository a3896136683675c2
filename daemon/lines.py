"""An alert's change as a line for a person, and as one JSON object for a program."""

from __future__ import annotations

import msgspec
from witnesspost.rules.alert import Change
from witnesspost.rules.book.words import words

_WORDS = {"stop": "STOP ", "check": "CHECK", "note": "NOTE "}
_OTHERS = {"cause": "now  ", "acknowledged": "seen ", "normal": "over ", "cleared": "over "}


def clock_text(t: float, utc: str | None) -> str:
    """UTC of day where it is known, else the run's own hours, minutes and seconds after a plus sign."""
    if utc is not None:
        return utc[11:19] + "Z"
    whole = int(t)
    return f"+{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def line(change: Change) -> str:
    """One line, the gravest word first: readable over a phone."""
    word = _WORDS[change.severity] if change.change == "raised" else _OTHERS[change.change]
    because = f" (because of {change.because_of})" if change.because_of else ""
    say = words(change).say if change.change in ("raised", "cause") else ""
    return f"{clock_text(change.t, change.utc)} {word} {change.rule}: {change.cause}{because}  {say}".rstrip()


def json_line(change: Change) -> str:
    """One JSON object: `causes` without empty residuals, and in place of the words' figures the words themselves."""
    table = msgspec.to_builtins(change)
    del table["words"], table["role"]
    shelved = table.pop("shelved")
    table |= {**words(change)._asdict(), "shelved": shelved}
    for cause in table["causes"]:
        if cause["residual_m"] is None:
            del cause["residual_m"]
    return msgspec.json.encode(table).decode()
