"""Slips of the finger in a typed number: one digit another, two neighbours swapped, the point one place on or back."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator

from witnesspost.rules.site.angles import degrees

_MOST_DIGITS = 17  # as many as a double has
_POINT_ON, _POINT_BACK = re.compile(r"(\.)(\d)(\d*)"), re.compile(r"(\d)\.(\d)")


def slips(typed: float | str | None) -> Iterator[tuple[str, float | str]]:
    """Each slip of a number as the site file writes it, as text and as value, also in an angle's degrees, minutes and seconds.

    Digits on both sides of a decimal point are neighbours, those on both sides of a blank are not: fingers do not swap degrees
    with minutes. What can no longer be read as an angle (60 seconds, say) is left out.
    """
    if typed is None:
        return
    text = typed if isinstance(typed, str) else _plain(typed)
    places = [index for index, letter in enumerate(text) if letter.isdigit()][:_MOST_DIGITS]
    seen = {text}
    for index in places:
        for digit in "0123456789":
            yield from _kept(text[:index] + digit + text[index + 1 :], isinstance(typed, str), seen)
    for one, two in itertools.pairwise(places):
        if re.fullmatch(r"\.?", text[one + 1 : two]):
            swapped = text[:one] + text[two] + text[one + 1 : two] + text[one] + text[two + 1 :]
            yield from _kept(swapped, isinstance(typed, str), seen)
    if not isinstance(typed, str):
        for moved in (_POINT_ON.sub(r"\2.\3", text), _POINT_BACK.sub(r".\1\2", text)):
            yield from _kept(_without_idle_zeros(moved), False, seen)


def _kept(text: str, angle: bool, seen: set[str]) -> Iterator[tuple[str, float | str]]:
    if text in seen:
        return
    seen.add(text)
    if not angle:
        yield text, float(text)
        return
    try:
        degrees(text)
    except ValueError:
        return
    yield text, text


def _without_idle_zeros(text: str) -> str:
    """As a person writes the number: "05." is 5, ".18" is 0.18."""
    sign, digits = ("-", text[1:]) if text.startswith("-") else ("", text)
    whole, _, rest = digits.partition(".")
    return f"{sign}{whole.lstrip('0') or '0'}{'.' + rest if rest else ''}"


def _plain(number: float) -> str:
    return f"{number:.10f}" if "e" in repr(number) else repr(number).removesuffix(".0")
