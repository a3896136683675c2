"""Names within words: what people call a mark, a frame or a protocol is no word of any language, and stays as it is.

    head  "On ⁨nail⁩ the rover reads 1.84 m low."     English  "On nail the rover reads …"     Spanish  "En nail el rover lee …"

Without the marks a name is told from words by its letters, and a mark may be called "nail", "the base" or "A, by the gate".
They are the isolates of the Unicode Bidirectional Algorithm (UAX #9: FSI U+2068, PDI U+2069), made to keep a name apart from
the text around it; nobody sees them. `rules.book.words` takes them out again.
"""

from __future__ import annotations

import re
from collections.abc import Callable

_FIRST, _LAST = "\u2068", "\u2069"
_NAMED = re.compile(f"{_FIRST}([^{_FIRST}{_LAST}]*){_LAST}")
_MARKS = {ord(_FIRST): None, ord(_LAST): None}


def called(name: str) -> str:
    """The name, marked as one."""
    return f"{_FIRST}{bare(name)}{_LAST}"


def bare(text: str) -> str:
    """The text as people read it."""
    return text.translate(_MARKS)


def around_names(text: str, say: Callable[[str], str | None]) -> str | None:
    """What `say` makes of the text, whose names it sees as mere numbers; None where it makes nothing of it."""
    names: list[str] = []

    def hide(found: re.Match[str]) -> str:
        names.append(found[0])
        return f"{_FIRST}{len(names) - 1}{_LAST}"

    said = say(_NAMED.sub(hide, text))
    return said and _NAMED.sub(lambda found: names[int(found[1])], said)
