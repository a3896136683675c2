"""Stored points as a field file has them, whatever its form: what all that is judged of a point begins with."""

from __future__ import annotations

import datetime as dt
from collections import Counter

from msgspec import Struct

_LONGEST = 800  # characters of an error's line


class FieldError(Exception):
    """A field file cannot be used as it stands. The text is one line: where, what was read, and what to state; its
    middle is cut out where what was read is very long."""

    def __init__(self, text: str):
        plain = "".join(letter if letter.isprintable() else "�" for letter in text)
        super().__init__(plain if len(plain) <= _LONGEST else f"{plain[: _LONGEST // 2]} … {plain[-_LONGEST // 2 :]}")


class FieldPoint(Struct, gc=False):
    """A stored point as the file has it: `first` and `second` are northing and easting, or latitude and longitude."""

    name: str
    line: int
    first: float
    second: float
    height: float | None
    code: str = ""
    start: dt.datetime | None = None
    end: dt.datetime | None = None
    pole: float | None = None
    sigma_plan: float | None = None
    sigma_height: float | None = None


class FieldFile(Struct):
    """A field file as it was read. `grid`: first and second are northing and easting. `columns` says which column is what;
    `unit` is what a LandXML file states itself."""

    path: str
    form: str
    grid: bool
    columns: dict[str, str]
    points: list[FieldPoint]
    unit: str | None = None
    notes: list[str] = []

    @property
    def has_times(self) -> bool:
        """True where every point has a time."""
        return all(point.start is not None for point in self.points)

    @property
    def twice(self) -> list[str]:
        """Names that more than one point bears."""
        return [name for name, count in Counter(point.name for point in self.points).items() if count > 1]
