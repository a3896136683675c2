"""Control points from a CSV file: a header whose columns are named like the site file's keys, then a line for each point.

    name,easting,northing,height          name;latitude;longitude;height;ellipsoidal_height
    KQ-1,512345.678,4330123.456,1874.322  KQ-1;39 07 24.4441 N;104 59 15.5555 W;1874.322;1856.9

Comma, semicolon or tab, as in the header; capitals do not matter, nor does the order. Columns of other names are
ignored. Numbers have a decimal point.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from witnesspost.rules.site.file import NotReadable, bytes_of
from witnesspost.rules.site.model import Control, ControlFile
from witnesspost.rules.site.tables import TableReader, few, shown
from witnesspost.rules.site.text import decoded

COLUMNS = ("name", "latitude", "longitude", "easting", "northing", "height", "ellipsoidal_height")
_ANGLES = ("latitude", "longitude")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)", re.ASCII)
_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)


def control_of(files: Iterable[ControlFile], folder: Path, reader: TableReader) -> list[Control]:
    """The points of these files, relative to `folder`; what is wrong goes into the reader's problems, by file and line."""
    points: list[Control] = []
    for index, file in enumerate(files, 1):
        where = f"project.control_file[{index}]"
        before = len(reader.problems)
        points += _points(where, file.path, folder / file.path, reader)
        if len(reader.problems) > before:
            reader.unread.add(where)
            reader.problems[before:] = few(reader.problems[before:])
    return points


def _points(where: str, name: str, path: Path, reader: TableReader) -> Iterator[Control]:
    try:
        data = bytes_of(path)
    except NotReadable as error:
        reader.problems.append(f"{where}.path: read {shown(name)}, which cannot be read: {error}; expected a CSV file")
        return
    text, problems = decoded(data)
    short = Path(name).name if Path(name).name.isprintable() else where
    if problems or "\0" in text:
        reader.problems += [f"{short}: {problem}" for problem in problems or ["holds a NUL; expected text (CSV)"]]
        return
    text = text.removeprefix("\ufeff")  # spreadsheets begin a CSV in UTF-8 with it
    first = text.partition("\n")[0]
    delimiter = max(",;\t", key=first.count)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        header = [re.sub(r"\s+", "_", cell.strip().lower()) for cell in next(rows, [])]
        missing = _header_problem(header)
        if missing:
            reader.problems.append(f"{short} line 1: {missing}")
            return
        for row in rows:
            if any(cell.strip() for cell in row):
                point = _point(f"{short} line {rows.line_num}", header, row, delimiter, reader)
                if point is not None:
                    yield point
    except csv.Error:
        reader.problems.append(f"{short} line {rows.line_num}: is not CSV; expected columns as in its first line")


def _header_problem(header: list[str]) -> str | None:
    """Nothing of the line itself: a path that is wrong may lead to any file."""
    if not any(header):
        return f"no header; expected the columns' names: {', '.join(COLUMNS[:6])}"
    twice = next((column for column in COLUMNS if header.count(column) > 1), None)
    if twice:
        return f"{twice} is there twice; expected each column once"
    both = {"latitude", "longitude"} <= set(header) or {"easting", "northing"} <= set(header)
    for column in ("name", "height"):
        if column not in header:
            return f"no column {column}; expected the columns' names: {', '.join(COLUMNS[:6])}"
    if not both:
        return "expected the columns latitude and longitude, or easting and northing"
    return None


def _point(where: str, header: list[str], row: list[str], delimiter: str, reader: TableReader) -> Control | None:
    if len(row) != len(header):
        hint = " (a decimal comma cuts a number in two)" if delimiter == "," and len(row) > len(header) else ""
        reader.problems.append(f"{where}: {len(row)} cells; expected {len(header)}, as in the header{hint}")
        return None
    table: dict[str, Any] = {}
    for column, cell in zip(header, row, strict=True):
        text = cell.strip()
        if column not in COLUMNS or not text:
            continue
        if column == "name" or (column in _ANGLES and not _NUMBER.fullmatch(text)):
            table[column] = text
        elif _NUMBER.fullmatch(text) and len(text) < 40:
            table[column] = float(text)
        else:
            with_point = f", with a point: {text.replace(',', '.')}" if _COMMA.fullmatch(text) else ""
            reader.problems.append(f"{where}.{column}: read {shown(text)}; expected a number{with_point}")
            return None
    point: Control | None = reader.struct(Control, table, where)
    return point
