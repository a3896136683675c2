"""Angles as people write them, as decimal degrees.

    39.1234567      61.1143°        N 61.1143
    39 07 24.4441 N     61°06'51.5"N     61°06′51.5″     61-06-51.5     N61 06 51.5     39d07m24.4s     61 06.858

Only the last part may have decimals. West and south are negative or carry their letter, never both.
"""

from __future__ import annotations

import re
from typing import Literal

Axis = Literal["latitude", "longitude"]
_LETTERS = {"latitude": "NS", "longitude": "EW"}
_BOUNDS = {"latitude": 90.0, "longitude": 180.0}
_EXAMPLE = '39.1234567 or "39 07 24.4441 N"'

_NUMBER = r"\d{1,3}(?:\.\d*)?"
_MINUTE = "'′’´"
_GAP = r"(?:\s*[%s]\s*|\s*[\s:-]\s*)"
_FORMS = tuple(
    re.compile(
        rf"\s*(?P<before>[NSEWnsew])?\s*(?P<sign>[+-])?\s*(?P<degrees>{_NUMBER}){form}\s*(?P<after>[NSEWnsew])?\s*", re.ASCII
    )
    for form in (
        rf"(?:{_GAP % '°º'}(?P<minutes>{_NUMBER})(?:{_GAP % _MINUTE}(?P<seconds>{_NUMBER}))?)?"
        rf"\s*(?:[°º{_MINUTE}\"″”]|[{_MINUTE}]{{2}})?",
        rf"\s*d\s*(?:(?P<minutes>{_NUMBER})\s*m\s*(?:(?P<seconds>{_NUMBER})\s*s)?)?",  # else a last s is the south
    )
)
_LONGEST = 40
_DECIMAL_COMMA = re.compile(r"(\d),(\d)")


def degrees(value: float | str, axis: Axis | None = None) -> float:
    """Decimal degrees of a number or of a text in one of the forms above. With `axis` it must also be an angle of that axis.

    Raises ValueError, whose text says what was read and what was expected.
    """
    angle, letter = (float(value), "") if not isinstance(value, str) else _parsed(value)
    if axis is not None:
        if letter and letter not in _LETTERS[axis]:
            raise ValueError(f"read {value!r}, whose letter {letter} is of the other axis; expected {_EXAMPLE}")
        bound = _BOUNDS[axis]
        if not -bound <= angle <= bound:
            raise ValueError(f"read {value!r}; expected −{bound:g} to {bound:g} degrees")
    return angle


def _parsed(text: str) -> tuple[float, str]:
    shown = repr(text if len(text) <= _LONGEST else text[:_LONGEST] + "…")
    comma = _DECIMAL_COMMA.search(text)
    if comma:
        with_point = _DECIMAL_COMMA.sub(r"\1.\2", shown)
        raise ValueError(f"read {shown}, with a decimal comma; expected a point: {with_point}")
    # A minus sign as a text processor writes it is meant as one.
    plain = text.replace("−", "-").replace("–", "-")
    match = next((found for form in _FORMS if (found := form.fullmatch(plain))), None) if len(text) <= _LONGEST else None
    if match is None:
        raise ValueError(f"read {shown}, which is not an angle; expected {_EXAMPLE}")
    letter = ((match["before"] or "") + (match["after"] or "")).upper()
    if len(letter) > 1 or (letter and match["sign"]):
        raise ValueError(f"read {shown}, with two signs; expected one: a letter or a minus")
    parts = [match["degrees"], match["minutes"], match["seconds"]]
    written = [part for part in parts if part is not None]
    if any("." in part for part in written[:-1]):
        raise ValueError(f"read {shown}; expected decimals in its last part alone")
    whole, minutes, seconds = (float(part or 0) for part in parts)
    if minutes >= 60 or seconds >= 60:
        raise ValueError(f"read {shown}; expected minutes and seconds under 60")
    angle = whole + minutes / 60 + seconds / 3600
    return (-angle if match["sign"] == "-" or letter in ("S", "W") else angle), letter
