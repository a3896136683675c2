"""Field files: what a controller wrote, in the forms that such files come in.

    CSV        a row a point; comma, semicolon, tab, bar or blanks between; a header or none; decimal points or commas
    LandXML    CgPoints: northing, easting and elevation of each CgPoint (landxml.org, LandXML 1.2)
    GeoJSON    Point features: longitude, latitude, height (RFC 7946)

Which column is what is detected and shown. What numbers mean (frame, unit, geoid, time zone) is not in such a file, and is
never guessed here. What cannot be told for certain ends with one line that says what to state.
"""

from __future__ import annotations

import csv
import datetime as dt
import itertools
import math
import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec
from witnesspost.replay.office.field_points import FieldError, FieldFile, FieldPoint
from witnesspost.rules.site.angles import degrees
from witnesspost.rules.site.file import NotReadable, bytes_of

MEANINGS: dict[str, frozenset[str]] = {
    "name": frozenset({"point", "pt", "name", "id", "number", "no", "nr", "pointid", "pointname", "pointnumber", "pointno",
                       "ptno", "ptid", "punkt", "punktnummer", "pkt"}),
    "north": frozenset({"northing", "north", "n", "nord", "hochwert"}),
    "east": frozenset({"easting", "east", "e", "ost", "rechtswert"}),
    "latitude": frozenset({"latitude", "lat"}),
    "longitude": frozenset({"longitude", "lon", "long", "lng"}),
    "height": frozenset({"height", "elevation", "elev", "z", "h", "level", "orthometricheight", "ellipsoidalheight", "hoehe",
                         "höhe"}),
    "code": frozenset({"code", "description", "desc", "feature", "featurecode", "fcode"}),
    "start": frozenset({"start", "starttime", "begin", "from", "time", "timestamp", "datetime", "stored", "utc", "localtime"}),
    "end": frozenset({"end", "endtime", "to", "stop"}),
    "date": frozenset({"date", "day"}),
    "pole": frozenset({"poleheight", "pole", "antennaheight", "rodheight", "rod", "hi", "ah"}),
    "sigma_plan": frozenset({"sigmaplan", "hprecision", "horizontalprecision", "hrms", "sigmah"}),
    "sigma_height": frozenset({"sigmaheight", "vprecision", "verticalprecision", "vrms", "sigmav"}),
}  # fmt: skip
"""What a column may be, and the headers that say so, in small letters without blanks and signs."""

_MOST_BYTES = 200_000_000
_LOOKED_AT = 200  # lines that the form is told from
_DELIMITERS = {"\t": "tab", ";": "semicolon", "|": "bar", ",": "comma", " ": "blanks"}
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_TIME = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d+)?)?(Z|[+-]\d{2}:?\d{2})?")
_LINE = re.compile(r"[^\r\n]*(\r\n|\r|\n)|[^\r\n]+")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0e-\x1f\x7f]")
_FARTHEST_M = 1e9  # over a hundred earth radii: no coordinate, height or pole
_IS_NEAR_M = 200_000.0  # of the control: a day's drive (common practice, no source)
_COLUMNS_EXAMPLE = "--columns name,north,east,height,code"


Near = Callable[[float, float, bool], float | None]
"""How far (metres) a first and second number lie from the project's control, as a grid's or as degrees; None where unknown."""


def read_field(path: str | Path, near: Near, columns: str | None = None) -> FieldFile:
    """Read a field file, its form told by its first bytes. `columns` names each column in order. Raises FieldError."""
    path = Path(path)
    try:
        data = bytes_of(path, _MOST_BYTES)
    except NotReadable as error:
        raise FieldError(f"{path}: cannot be read ({error}); name a field file (CSV, LandXML or GeoJSON)") from None
    text = _text(path, data)
    if not text.strip():
        raise FieldError(f"{path}: is empty; expected points, one a line")
    head = text.lstrip()[:200]
    if head.startswith("<"):
        field = _landxml(path, text)
    elif head.startswith("{"):
        field = _geojson(path, data)
    else:
        try:
            field = _csv(path, text, near, columns)
        except csv.Error:
            raise FieldError(
                f"{path}: a cell of over {csv.field_size_limit():,} characters; expected points, one a line"
            ) from None
    if not field.points:
        raise FieldError(f"{path}: holds no points; expected some, with coordinates")
    return field


def _text(path: Path, data: bytes) -> str:
    binary = FieldError(f"{path}: is binary; expected text: CSV, LandXML or GeoJSON, as the controller exports it")
    try:
        text = data.decode("utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
    if _CONTROL.search(text) or text.count("\ufffd") > 2:
        raise binary
    return text


# ── CSV ─────────────────────────────────────────────────────────────────────────────────────────────────────────────────


def _csv(path: Path, text: str, near: Near, columns: str | None) -> FieldFile:
    delimiter, decimal = _separators(path, text)
    coming = _rows(text, delimiter)
    rows = list(itertools.islice(coming, _LOOKED_AT + 1))  # the columns are told from them; there may be 200,000
    if not rows:
        raise FieldError(f"{path}: holds no points; expected one a line")
    header = _header(rows[0][1]) if columns is None else {}
    body = rows[1:] if header or not _has_numbers(rows[0][1], decimal) else rows
    if not body:
        raise FieldError(f"{path}: holds no points (read {', '.join(rows[0][1])[:60]!r}); expected one a line")
    if columns is not None:
        meanings = _stated(path, columns)
    elif header:
        meanings = header
    else:
        meanings = _unheaded(path, body, decimal, near)
    by_meaning = {meaning: index for index, meaning in meanings.items()}
    if columns is None and header:
        by_meaning |= _x_and_y(path, rows[0][1], body, decimal, near, by_meaning)
    grid = "north" in by_meaning
    first, second = ("north", "east") if grid else ("latitude", "longitude")
    lacking = [meaning for meaning in ("name", first, second) if meaning not in by_meaning]
    if lacking:
        read = ", ".join(cell.strip() for cell in rows[0][1])
        words = " and ".join(
            "northing and easting, or latitude and longitude" if m in (first, second) else m for m in lacking[:2]
        )
        words = "northing and easting, or latitude and longitude" if first in lacking or second in lacking else words
        raise FieldError(f"{path}: no column says the {words} (read {read}); state them: {_COLUMNS_EXAMPLE}")
    count = Counter(len(cells) for _, cells in body).most_common(1)[0][0]
    points = [_point(path, line, cells, by_meaning, decimal, count) for line, cells in itertools.chain(body, coming)]
    shown = {
        meaning: rows[0][1][index].strip() if header and index < len(rows[0][1]) else f"column {index + 1}"
        for meaning, index in sorted(by_meaning.items(), key=lambda item: item[1])
    }
    said = [f"{_DELIMITERS[delimiter]} between", "decimal comma" if decimal == "," else "decimal point"]
    said.append("a header" if header else "no header")
    return FieldFile(path=str(path), form=f"CSV ({', '.join(said)})", grid=grid, columns=shown, points=points)


def _rows(text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    if delimiter == " ":
        for line, one in enumerate(_lines(text), 1):
            if one.strip() and not one.lstrip().startswith(("#", "//")):
                yield line, one.split()
        return
    reader = csv.reader(_lines(text), delimiter=delimiter)
    for cells in reader:
        if any(cell.strip() for cell in cells) and not cells[0].lstrip().startswith(("#", "//")):
            yield reader.line_num, cells


def _lines(text: str) -> Iterator[str]:
    """Line by line, with its end: a large file is not there twice."""
    return (match[0] for match in _LINE.finditer(text))


def _separators(path: Path, text: str) -> tuple[str, str]:
    """What stands between the columns, and before the decimals."""
    first = (line.rstrip("\r\n") for line in itertools.islice(_lines(text), 4 * _LOOKED_AT))
    lines = [line for line in first if line.strip() and not line.startswith(("#", "//"))]
    lines = lines[:_LOOKED_AT]
    if not lines:
        raise FieldError(f"{path}: holds no points, only remarks; expected one a line")
    for delimiter in _DELIMITERS:
        counts = [len(line.split() if delimiter == " " else next(csv.reader([line], delimiter=delimiter))) for line in lines]
        usual, times = Counter(counts).most_common(1)[0]
        if usual < 3 or times < 0.6 * len(counts):
            continue
        cells = [cell.strip() for line in lines for cell in (line.split() if delimiter == " " else line.split(delimiter))]
        commas = sum(bool(_DECIMAL_COMMA.fullmatch(cell)) for cell in cells) if delimiter != "," else 0
        dots = sum(bool(_NUMBER.fullmatch(cell)) and "." in cell for cell in cells)
        if commas and dots > commas // 4:
            raise FieldError(
                f"{path}: numbers with decimal points and with decimal commas; expected one kind in the whole file"
            )
        numbers = any(_NUMBER.fullmatch(cell) for cell in cells)
        if delimiter == "," and numbers and not dots and usual >= 6:
            raise FieldError(
                f"{path}: commas between the columns and, it seems, within the numbers (read {lines[-1][:60]!r}); export it "
                "with semicolons or tabs between, or with decimal points"
            )
        return delimiter, "," if commas else "."
    raise FieldError(
        f"{path}: no columns can be made out (read {lines[0][:60]!r}); expected commas, semicolons, tabs, bars or blanks "
        "between at least point, northing and easting"
    )


def _key(header: str) -> str:
    return re.sub(r"[^\w]|_", "", re.sub(r"[(\[](m|ft|us-ft|usft|°|deg)[)\]]", "", header.lower()))


def _header(cells: Sequence[str]) -> dict[int, str]:
    """Which column is what by its header; nothing where the first row is none."""
    found: dict[int, str] = {}
    for index, cell in enumerate(cells):
        key = re.sub(r"(?<=..)(m|ft|usft)$", "", _key(cell)) if _key(cell) not in _WORDS else _key(cell)
        meaning = _WORDS.get(_key(cell)) or _WORDS.get(key)
        if meaning is not None and meaning not in found.values():
            found[index] = meaning
    if len(found) >= 2 or (found and {_key(cell) for cell in cells} & {"x", "y"}):
        return found
    return {}


_WORDS = {word: meaning for meaning, words in MEANINGS.items() for word in words}


def _x_and_y(
    path: Path, cells: Sequence[str], body: list[tuple[int, list[str]]], decimal: str, near: Near, known: dict[str, int]
) -> dict[str, int]:
    """x and y: which of them is north differs from trade to trade, so the control decides where it can."""
    keys = [_key(cell) for cell in cells]
    if "north" in known or "latitude" in known or "x" not in keys or "y" not in keys:
        return {}
    x, y = keys.index("x"), keys.index("y")
    order = _which_is_north(body, decimal, near, x, y)
    if order is None:
        raise FieldError(f"{path}: x and y, and not which is north; state the columns: {_COLUMNS_EXAMPLE}")
    return {"north": order[0], "east": order[1]}


def _which_is_north(body: list[tuple[int, list[str]]], decimal: str, near: Near, one: int, two: int) -> tuple[int, int] | None:
    """(north, east) of two columns, by which way round they lie near the control; None where neither or both do."""
    pairs = []
    for _, cells in body[:_LOOKED_AT]:
        if max(one, two) < len(cells):
            a, b = _number(cells[one], decimal), _number(cells[two], decimal)
            if a is not None and b is not None:
                pairs.append((a, b))
    if not pairs:
        return None
    a, b = sorted(pairs)[len(pairs) // 2]
    ways = [(near(a, b, True), (one, two)), (near(b, a, True), (two, one))]
    able = [way for distance, way in ways if distance is not None and distance < _IS_NEAR_M]
    return able[0] if len(able) == 1 else None


def _stated(path: Path, columns: str) -> dict[int, str]:
    found: dict[int, str] = {}
    for index, word in enumerate(part.strip().lower() for part in columns.split(",")):
        meaning = word if word in MEANINGS else _WORDS.get(_key(word))
        if word in ("-", ""):
            continue
        if meaning is None or meaning in found.values():
            known = ", ".join(MEANINGS)
            raise FieldError(f"--columns: read {word!r}; expected one of {known}, each once, or - for a column to pass over")
        found[index] = meaning
    return found


def _unheaded(path: Path, body: list[tuple[int, list[str]]], decimal: str, near: Near) -> dict[int, str]:
    """Columns without a header: name first, the two that lie at the control, the height after them, then times and a code."""
    usual = Counter(len(cells) for _, cells in body).most_common(1)[0][0]
    looked = [cells for _, cells in body[:_LOOKED_AT] if len(cells) == usual]
    numeric = [
        index for index in range(usual) if all(_number(cells[index], decimal) is not None for cells in looked) and index > 0
    ]
    meanings: dict[int, str] = {0: "name"}
    for one, two in itertools.pairwise(numeric):
        a, b = (sorted(_number(cells[index], decimal) or 0.0 for cells in looked)[len(looked) // 2] for index in (one, two))
        order = _which_is_north(body, decimal, near, one, two)
        if order is not None:
            meanings |= {order[0]: "north", order[1]: "east"}
        else:
            degrees_near = near(a, b, False), near(b, a, False)
            able = [distance is not None and distance < _IS_NEAR_M for distance in degrees_near]
            if able == [True, False]:
                meanings |= {one: "latitude", two: "longitude"}
            elif able == [False, True]:
                meanings |= {two: "latitude", one: "longitude"}
            else:
                continue
        rest = [index for index in numeric if index > two]
        if rest:
            meanings[rest[0]] = "height"
        break
    if "north" not in meanings.values() and "latitude" not in meanings.values():
        raise FieldError(
            f"{path}: no header, and no two columns lie near the project's control (read {', '.join(looked[0])}); state the "
            f"columns ({_COLUMNS_EXAMPLE}), and the frame or unit where they are not the project's"
        )
    times = [
        index for index in range(usual) if index not in meanings and all(_TIME.fullmatch(c[index].strip()) for c in looked)
    ]
    meanings |= dict(zip(times[:2], ("start", "end"), strict=False))
    texts = [index for index in range(1, usual) if index not in meanings and index not in numeric]
    if texts:
        meanings[texts[0]] = "code"
    return meanings


def _has_numbers(cells: Sequence[str], decimal: str) -> bool:
    return sum(_number(cell, decimal) is not None for cell in cells[1:]) >= 2


def _number(cell: str, decimal: str) -> float | None:
    cell = cell.strip()
    if decimal == ",":
        cell = cell.replace(",", ".")
    return float(cell) if _NUMBER.fullmatch(cell) else None


def _point(path: Path, line: int, cells: list[str], by_meaning: dict[str, int], decimal: str, count: int) -> FieldPoint:
    where = f"{path}: line {line}"
    needed = [by_meaning[meaning] for meaning in ("name", "north", "east", "latitude", "longitude") if meaning in by_meaning]
    if max(needed) >= len(cells):
        raise FieldError(f"{where}: {len(cells)} columns, the others have {count}; mend the line or leave it out")

    def cell(meaning: str) -> str | None:
        index = by_meaning.get(meaning)
        return cells[index].strip() if index is not None and index < len(cells) else None

    def number(meaning: str, needed: bool) -> float | None:
        text = cell(meaning)
        if text is None or (text == "" and not needed):
            return None
        value = _number(text, decimal)
        if value is None and meaning in ("latitude", "longitude"):
            try:
                value = degrees(text)
            except ValueError:
                value = None
        if value is None or not math.isfinite(value):
            raise FieldError(f"{where}: {meaning}: read {text!r}; expected a number with a decimal {_NAME_OF[decimal]}")
        return value

    grid = "north" in by_meaning
    first, second = number("north" if grid else "latitude", True), number("east" if grid else "longitude", True)
    assert first is not None
    assert second is not None
    day, start, end = cell("date"), cell("start"), cell("end")
    if day and start and not _TIME.fullmatch(start):
        start = f"{day} {start}"
        end = f"{day} {end}" if end else end
    return FieldPoint(
        name=cell("name") or "",
        line=line,
        first=first,
        second=second,
        height=number("height", False),
        code=cell("code") or "",
        start=_time(where, start),
        end=_time(where, end),
        pole=number("pole", False),
        sigma_plan=number("sigma_plan", False),
        sigma_height=number("sigma_height", False),
    )


_NAME_OF = {",": "comma", ".": "point"}


def _time(where: str, text: object) -> dt.datetime | None:
    if not text:
        return None
    try:
        return dt.datetime.fromisoformat(str(text))
    except ValueError:
        raise FieldError(
            f"{where}: time: read {_shown(text)}; expected year, month, day and time, as 2026-06-19 07:01:29"
        ) from None


# ── LandXML ─────────────────────────────────────────────────────────────────────────────────────────────────────────────

_LANDXML_UNITS = {"meter": "m", "foot": "ft", "USSurveyFoot": "us-ft"}


def _landxml(path: Path, text: str) -> FieldFile:
    """LandXML's `CgPoints`: northing, easting, elevation in the unit that `Units` states."""
    from xml.etree import ElementTree

    if "<!ENTITY" in text or "<!DOCTYPE" in text:
        raise FieldError(f"{path}: XML with a document type, which LandXML never has; export it anew")
    try:
        root = ElementTree.fromstring(text)
    except (ElementTree.ParseError, ValueError) as error:
        raise FieldError(f"{path}: is no whole XML ({error}); export it anew") from None
    if _tag(root) != "LandXML":
        raise FieldError(f"{path}: XML, but no LandXML (read <{_tag(root)}>); expected LandXML with CgPoints, CSV or GeoJSON")
    unit = None
    for units in (element for element in root.iter() if _tag(element) in ("Metric", "Imperial")):
        said = units.get("linearUnit", "")
        if said not in _LANDXML_UNITS:
            raise FieldError(f"{path}: linearUnit: read {said!r}; expected one of {', '.join(_LANDXML_UNITS)}")
        unit = _LANDXML_UNITS[said]
    points = []
    for number, element in enumerate((one for one in root.iter() if _tag(one) == "CgPoint"), 1):
        name = element.get("name") or element.get("oID") or str(number)
        where = f"{path}: CgPoint {name}"
        numbers = (element.text or "").split()
        if not numbers and element.get("pntRef"):
            continue
        values = [float(value) for value in numbers if _NUMBER.fullmatch(value)]
        if len(values) != len(numbers) or len(values) not in (2, 3):
            raise FieldError(f"{where}: read {(element.text or '').strip()[:40]!r}; expected northing, easting and elevation")
        points.append(
            FieldPoint(
                name=name, line=number, first=values[0], second=values[1], height=values[2] if len(values) > 2 else None,
                code=element.get("code") or element.get("desc") or "", start=_time(where, element.get("timeStamp")),
            )
        )  # fmt: skip
    columns = {"name": "name", "north": "first number", "east": "second number", "height": "third number", "code": "code"}
    return FieldFile(path=str(path), form="LandXML", grid=True, columns=columns, points=points, unit=unit)


def _tag(element: Any) -> str:
    return str(element.tag).rpartition("}")[2]


# ── GeoJSON ─────────────────────────────────────────────────────────────────────────────────────────────────────────────


def _geojson(path: Path, data: bytes) -> FieldFile:
    """Point features: longitude, latitude, height (RFC 7946, 3.1.1)."""
    try:
        read = msgspec.json.decode(data.removeprefix(b"\xef\xbb\xbf"))
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise FieldError(f"{path}: is no whole JSON ({error}); export it anew") from None
    features = read.get("features") if read.get("type") == "FeatureCollection" else None
    if not isinstance(features, list):
        raise FieldError(f"{path}: JSON, but no FeatureCollection; expected GeoJSON with Point features, CSV or LandXML")
    if "crs" in read:
        raise FieldError(f"{path}: names a crs, which GeoJSON has no more (RFC 7946, 4); export longitudes and latitudes")
    points = []
    for number, feature in enumerate(features, 1):
        where = f"{path}: feature {number}"
        geometry = feature.get("geometry") if isinstance(feature, dict) else None
        if not isinstance(geometry, dict) or geometry.get("type") != "Point":
            continue
        place = geometry.get("coordinates")
        if not (isinstance(place, list) and 2 <= len(place) <= 3 and all(_is_number(one) for one in place)):
            raise FieldError(f"{where}: coordinates: read {_shown(place)}; expected longitude, latitude and height")
        if not (-180 <= place[0] <= 180 and -90 <= place[1] <= 90):
            raise FieldError(
                f"{where}: coordinates: read {_shown(place)}, no longitude and latitude; expected degrees (RFC 7946, 4)"
            )
        properties = feature.get("properties")
        if not isinstance(properties, dict | None):
            raise FieldError(f"{where}: properties: read {_shown(properties)}; expected an object or null (RFC 7946, 3.2)")
        said = {_key(key): value for key, value in (properties or {}).items()}
        values = {_WORDS[key]: value for key, value in said.items() if key in _WORDS}
        name = values.get("name", feature.get("id"))
        points.append(
            FieldPoint(
                name=str(name) if name is not None else str(number),
                line=number,
                first=float(place[1]),
                second=float(place[0]),
                height=float(place[2]) if len(place) > 2 else None,
                code=str(values.get("code", "")),
                start=_time(where, values.get("start")),
                end=_time(where, values.get("end")),
                pole=float(values["pole"]) if _is_number(values.get("pole")) else None,
            )
        )
    columns = {"name": "name", "latitude": "coordinates[1]", "longitude": "coordinates[0]", "height": "coordinates[2]"}
    return FieldFile(path=str(path), form="GeoJSON", grid=False, columns=columns, points=points)


def _is_number(value: object) -> bool:
    """A JSON number that a coordinate or a height can be."""
    return type(value) in (int, float) and abs(value) <= _FARTHEST_M  # type: ignore[arg-type]


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:59]}…"
