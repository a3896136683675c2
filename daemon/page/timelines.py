"""A light's or a sound's rhythm as a drawing over time, for the page's Help and the printed card."""

from __future__ import annotations

from witnesspost.daemon.page.html import Html, tag
from witnesspost.daemon.signals.patterns import Rhythm

DRAWN_MS = 6000
_PER_MS = 0.05  # of the drawing's width


def timeline(rhythm: Rhythm | None) -> Html:
    """The first six seconds: on is thick, off is a line."""
    bars = []
    at_ms = 0
    while rhythm is not None and at_ms < DRAWN_MS:
        on, next_ms = rhythm.state_after(at_ms)
        until_ms = DRAWN_MS if next_ms is None else min(DRAWN_MS, at_ms + next_ms)
        if on:
            bars.append(tag("rect", x=_n(at_ms), y=2, width=_n(until_ms - at_ms), height=16))
        at_ms = until_ms
    line = tag("path", d=f"M0 18.5H{_n(DRAWN_MS)}")
    box = f"0 0 {_n(DRAWN_MS)} 20"
    return tag("svg", line, *bars, class_="timeline", viewBox=box, preserveAspectRatio="none", aria_hidden="true")


def _n(ms: int) -> str:
    return f"{ms * _PER_MS:.4g}"
