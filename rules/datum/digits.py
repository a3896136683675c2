"""Slips of the finger in a typed number: one digit another, or two neighbours swapped."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator

from witnesspost.rules.site.angles import degrees

_MOST_DIGITS = 17  # as many as a double has


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


def _plain(number: float) -> str:
    return f"{number:.10f}" if "e" in repr(number) else repr(number).removesuffix(".0")
