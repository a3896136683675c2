"""The states as signs, so that nobody needs colour to tell them apart."""

from __future__ import annotations

from witnesspost.daemon.page.html import Html, tag
from witnesspost.daemon.signals.patterns import PASSED

_OCTAGON = "M8 2h8l6 6v8l-6 6H8l-6-6V8z"
_RING = "M12 2a10 10 0 1 1 0 20a10 10 0 0 1 0-20z"
_PATHS = {
    "stop": (_OCTAGON, "M6.5 12h11"),
    PASSED: (_RING, "M12 7.5v9M7.5 12h9"),
    "past": (_OCTAGON, "M8 12.5l3 3 5.5-6.5"),
    "check": ("M12 2.5L23 21.5H1z", "M12 9v6M12 17.6v.9"),
    "note": (_RING, "M12 10.5v7M12 6.5v.9"),
    "well": (_RING, "M7 12.5l3.5 3.5 6.5-8"),
    "starting": (_RING, "M12 6.5v5.5l4 2.5"),
    "fault": ("M3 3h18v18H3z", "M8 8l8 8M16 8l-8 8"),
    "unheard": (_RING, "M5 5l14 14"),
}


def sign(state: str) -> Html:
    """The sign of a state, in the colour of the text around it."""
    outline, inside = _PATHS[state]
    return tag(
        "svg",
        tag("path", d=outline),
        tag("path", d=inside),
        class_="sign",
        viewBox="0 0 24 24",
        aria_hidden="true",
        focusable="false",
    )
