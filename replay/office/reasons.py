"""Reasons of one kind: the same sentence with other measures in it, such as "the nearest is 29 s off" and "... 79 s off"."""

from __future__ import annotations

import re
from collections.abc import Sequence

# A measure has its unit behind it: a time of day has none, nor an offset from UTC, a station or a mark that is called 101.
_MEASURE = re.compile(r"(?<![\w:.+-])\d+(?:\.\d+)?(?=[%°]| (?:s|min|h|mm|cm|m|km|dB|epochs)\b)")


def kind(reason: str) -> str:
    """The same for two reasons that differ only in their measures."""
    return _MEASURE.sub("#", reason)


def spanned(reasons: Sequence[str]) -> str:
    """One sentence for reasons of one kind: each measure that differs as "29 to 1144"."""
    measures = list(zip(*(_MEASURE.findall(reason) for reason in reasons), strict=True))
    words = _MEASURE.split(reasons[0])
    parts = [words[0]]
    for values, after in zip(measures, words[1:], strict=True):
        least, most = min(values, key=float), max(values, key=float)
        parts += [least if float(least) == float(most) else f"{least} to {most}", after]
    return "".join(parts)
