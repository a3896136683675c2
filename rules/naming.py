"""Names that a person types, with gloves on, or writes into a file: which of the known ones is meant."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

_MOST = 2
KEYS_ALIKE = 0.6  # of the letters of a word in a file: it is not taken for the one that is offered, only written anew
_LONGEST = 80  # letters that are looked at
_ALIKE = 0.8  # of the letters, from which a name is a slip of another: KQ-9 is none of KQ-1
_BEGUN = 3  # letters, from which a name is the beginning of another


def meant(typed: str, known: Iterable[str]) -> str | None:
    """The known name itself, or the only one that differs from it in capital letters alone."""
    names = set(known)
    if typed in names:
        return typed
    same = [name for name in names if name.casefold() == typed.strip().casefold()]
    return same[0] if len(same) == 1 else None


def did_you_mean(typed: str, known: Iterable[str], alike: float = _ALIKE) -> str:
    """How a line about an unknown name ends: with the known ones that look like it, or empty. `alike` is the share of the
    letters from which one is a slip of another.
    """
    near = _nearest(typed, list(dict.fromkeys(known)), alike)
    return f"; did you mean {' or '.join(near)}?" if near else ""


def _nearest(typed: str, names: list[str], least: float) -> list[str]:
    letters = {name: _letters(name) for name in names}
    said = _letters(typed[:_LONGEST])
    same = [name for name in names if letters[name] == said]
    begun = [name for name in names if letters[name].startswith(said)] if len(said) >= _BEGUN else []
    alike = difflib.get_close_matches(said, list(letters.values()), _MOST, least)
    return (same or begun or [name for one in alike for name in names if letters[name] == one])[:_MOST]


def _letters(name: str) -> str:
    """Without capitals, hyphens and spaces."""
    return "".join(letter for letter in name.casefold() if letter.isalnum())
