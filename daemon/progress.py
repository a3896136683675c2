"""How far long work is, for a person who waits at a terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click
from witnesspost.daemon.screen import NARROWEST, Look

Progress = Callable[[float], None]
"""Is given the part done, 0 to 1."""

_STEPS = 1000
_WIDEST = 36  # columns of the bar itself
_LEAST = 6  # of less nobody can tell a half
_BESIDE = len("  []  100%  33d 12:00:00")


@contextmanager
def progress_bar(label: str, *, shown: bool = True) -> Iterator[Progress]:
    """A bar on stderr where a person looks at a terminal; nothing in a pipe, or where it is not to be `shown`."""
    if not shown or not sys.stderr.isatty():
        yield lambda part: None
        return
    columns = Look.of(sys.stderr.fileno()).width or NARROWEST
    room = columns - len(label) - _BESIDE
    has_bar = room >= _LEAST
    with click.progressbar(
        length=_STEPS,
        label=label if has_bar else _end_of(label, columns - _BESIDE),
        width=min(_WIDEST, room),
        bar_template="%(label)s  [%(bar)s]  %(info)s" if has_bar else "%(label)s  %(info)s",
        file=sys.stderr,
    ) as bar:

        def moved(part: float) -> None:
            steps = int(min(part, 1.0) * _STEPS) - bar.pos
            if steps > 0:
                bar.update(steps)

        yield moved
        moved(1.0)


def _end_of(label: str, columns: int) -> str:
    return label if len(label) <= columns else f"…{label[1 - columns :]}"


class PassingLine:
    """A line on stderr in a bar's place, for work that prints as it goes on: `clear` it before. Nothing in a pipe, where it is
    not `is_seen`."""

    def __init__(self) -> None:
        self.is_seen = sys.stderr.isatty()
        self._shown = ""

    def show(self, text: str) -> None:
        """This, instead of what was shown."""
        if self.is_seen and text != self._shown:
            self.clear()
            click.echo(text, nl=False, err=True)
            self._shown = text

    def clear(self) -> None:
        """The line is empty again."""
        if self._shown:
            click.echo("\r\x1b[K", nl=False, err=True)
            self._shown = ""
