"""How words lie on a terminal: severity by word and weight first, colour second; wrapped at the width, down to 40 columns.

wide, or no terminal:  STOP   2026-05-04 03:11:12-06:00  What is wrong. (rule: cause)
narrow:                STOP   2026-05-04 03:11:12-06:00
                         What is wrong.
                         (rule: cause)
                         1. The first step.
"""

from __future__ import annotations

import os
import re
import sys
import textwrap
from collections.abc import Mapping
from typing import NamedTuple

import click

NARROWEST = 40
_ONE_LINE = 110  # columns from which a clock, a sentence and its steps stand well side by side
_USUAL = 80
_REVERSED = ("STOP", "FAULT")
_BOLD = (*_REVERSED, "CHECK")
_COLOURS = {"STOP": "red", "FAULT": "magenta", "CHECK": "yellow", "NOTE": "cyan", "WELL": "green"}


class Look(NamedTuple):
    """What the reader's screen can do. `width` in columns, None where it is not a terminal: then nothing is wrapped."""

    width: int | None = None
    weight: bool = False
    colour: bool = False

    @classmethod
    def of(cls, fd: int, environ: Mapping[str, str] = os.environ) -> Look:
        """The look of a file descriptor. NO_COLOR (no-color.org) takes the colours, and leaves the weight."""
        if not os.isatty(fd):
            return cls()
        try:
            columns = os.get_terminal_size(fd).columns
        except OSError:
            columns = 0
        able = environ.get("TERM", "dumb") != "dumb"
        return cls(max(NARROWEST, columns or _USUAL), able, able and not environ.get("NO_COLOR"))

    @classmethod
    def of_output(cls) -> Look:
        """The look of standard output."""
        try:
            return cls.of(sys.stdout.fileno())
        except (OSError, ValueError, AttributeError):  # no file behind it
            return cls()

    def word(self, word: str, shown: str | None = None) -> str:
        """A word that stands for a severity or a state, `shown` in its stead (padded, say), with its weight and colour."""
        shown = word if shown is None else shown
        if not self.weight:
            return shown
        key = word.split(" ")[0]
        colour = _COLOURS.get(key) if self.colour else None
        bold = True if key in _BOLD else None
        reverse = True if key in _REVERSED else None
        if (colour, bold, reverse) == (None, None, None):
            return shown
        text = shown.rstrip()
        return click.style(text, fg=colour, bold=bold, reverse=reverse) + shown[len(text) :]

    def wrapped(self, text: str, indent: str = "", hanging: str = "") -> list[str]:
        """`text` in lines, the first begun with `indent`, the others with `indent` and `hanging`."""
        text = plain(text)
        if self.width is None:
            return [indent + text]
        wrapper = _Wrapper(self.width, initial_indent=indent, subsequent_indent=indent + hanging, break_on_hyphens=False)
        return wrapper.wrap(text) or [indent.rstrip()]

    def laid(self, line: str) -> list[str]:
        """A line with its own indent; where it is longer than the screen is wide, its rest stands under it, further in."""
        text = line.lstrip(" ")
        return self.wrapped(text, line[: len(line) - len(text)], "    ")

    def listed(self, steps: list[str], indent: str = "") -> list[str]:
        """Steps, numbered."""
        lines: list[str] = []
        for number, step in enumerate(steps, 1):
            lead = f"{number}. "
            lines += self.wrapped(lead + step, indent, " " * len(lead))
        return lines


class _Wrapper(textwrap.TextWrapper):
    """Breaks a path that is longer than a line after a slash, not within a name."""

    def _split(self, text: str) -> list[str]:
        room = self.width - len(self.subsequent_indent)
        parts: list[str] = []
        for part in super()._split(text):
            parts += re.findall(r"[^/]*/|[^/]+", part) if len(part) > room else [part]
        return parts


PLAIN = Look()
"""A file, a pipe, a journal."""


class Entry(NamedTuple):
    """One thing told: a word, when, what, and the steps. `depth` 1: a consequence of what stands above it; `shown` is the word
    in the reader's language."""

    word: str
    clock: str
    text: str
    steps: list[str]
    depth: int = 0
    shown: str = ""


def entry_text(entry: Entry, look: Look) -> str:
    """An entry in lines."""
    pad = "  " * entry.depth
    word = f"{entry.shown or entry.word:<5}"
    head = f"{pad}{look.word(entry.word, word)}  {entry.clock}"
    wide = len(pad) + len(word) + 2 + len(entry.clock) + 2
    if look.width is None:
        indent = pad + " " * 7
        lines = [f"{head}  {plain(entry.text)}".rstrip()]
    elif look.width >= _ONE_LINE:
        indent = " " * wide
        first, *others = look.wrapped(entry.text, indent)
        lines = [f"{head}  {first[wide:]}".rstrip(), *others]
    else:
        indent = pad + " " * (7 if look.width >= 60 else 2)
        lines = [head, *look.wrapped(entry.text, indent)]
    return "\n".join([*lines, *look.listed(entry.steps, indent)])


def plain(text: str) -> str:
    """`text` in one line, without anything that a terminal would obey: names and reasons come from files and devices."""
    return "".join(letter if letter.isprintable() else " " for letter in text)
