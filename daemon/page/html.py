"""HTML as text that cannot be mistaken: whatever is not Html already is escaped.

tag("p", "a < b", tag("b", "c"), class_="dim")  ──►  <p class="dim">a &lt; b<b>c</b></p>
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterable

from witnesspost.rules.language.units import kept_together

_EMPTY = frozenset({"br", "circle", "input", "line", "link", "meta", "path", "polygon", "polyline", "rect"})

_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")
"""What a terminal obeys and no page needs: texts come from radios and from anybody. A tab and a line's end stay."""


class Html(str):
    """Text that is HTML."""

    __slots__ = ()


Inside = str | None | Iterable["str | None"]
"""What stands in an element: texts and Html, also several; None is nothing."""


def tag(element: str, /, *inside: Inside, **attributes: str | int | float | bool | None) -> Html:
    """An element. An attribute of True stands bare, one of None or False not at all; `class_` is class, `aria_label` is
    aria-label."""
    written = []
    for key, value in attributes.items():
        if value is True:
            written.append(f" {_attribute(key)}")
        elif value is not None and value is not False:
            written.append(f' {_attribute(key)}="{_escaped(str(value))}"')
    head = f"<{element}{''.join(written)}"
    return Html(f"{head} />" if element in _EMPTY else f"{head}>{join(*inside)}</{element}>")


def join(*inside: Inside) -> Html:
    """All of it, one after the other."""
    parts: list[str] = []
    for one in inside:
        if isinstance(one, Html):
            parts.append(one)
        elif isinstance(one, str):
            parts.append(kept_together(_escaped(one)))
        elif one is not None:
            parts.append(join(*one))
    return Html("".join(parts))


def _escaped(text: str) -> str:
    return html.escape(_CONTROL.sub(" ", text))


def _attribute(key: str) -> str:
    return key.rstrip("_").replace("_", "-")
