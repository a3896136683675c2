"""Figures with their units, on a page whose lines end anywhere: "16.7 m" is never torn between the two.

A terminal and a file keep plain spaces, so that what they say can be searched for; only what becomes HTML comes here.
"""

from __future__ import annotations

import re

_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:ms|s|min|h|d|mm|cm|m|km|ft|ppm|dB|dBHz|Hz|kHz|MHz|baud|bit|B|kB|MB|GB|bytes)\b|%|°)")


def kept_together(text: str) -> str:
    """The text with a no-break space (U+00A0) between each figure and its unit (SI Brochure, 5.4.3: a space; from memory)."""
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text)
