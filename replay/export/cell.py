"""A cell of a CSV that a spreadsheet opens: names and notes come from files and from anybody's phone."""

from __future__ import annotations

import re
from typing import Any

_FORMULA = re.compile(r"[=+\-@\t\r]")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def cell(value: Any) -> Any:
    """A text that a spreadsheet would take for a formula gets an apostrophe before it; numbers stay, also those in a text.

    Source: OWASP, "CSV Injection" (from memory).
    """
    if isinstance(value, str) and _FORMULA.match(value) and not _NUMBER.fullmatch(value):
        return f"'{value}"
    return value
