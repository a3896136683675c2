"""A site file's bytes as a table: each line that is not TOML is named, in plain words, and the rest is still read."""

from __future__ import annotations

import re
import tomllib
from typing import Any, NamedTuple

_MOST_LINES = 30  # that are not TOML and are reported one by one
_LONGEST_LINE = 4096  # characters: the work for a line may grow faster than the line
_MOST_SALVAGED = 20_000  # lines of a file that is not TOML and are tried one by one
_MOST_PARSED = 3_000_000  # characters, all in all: each such line costs another parse of the file

_LINE = re.compile(r"\(at line (\d+), column \d+\)")
# Possessive (++, *+) where two parts could share a run of blanks: no line makes them try each way to share it.
_HEADER = re.compile(r"\s*+(\[\[?)\s*+([A-Za-z0-9_.\"'-]++(?: ++[A-Za-z0-9_.\"'-]++)*+)\s*+\]{0,2}\s*+(?:#.*)?")
_HEADER_WITHOUT_ITS_FIRST = re.compile(r"\s*()([A-Za-z0-9_.-]+)\s*\]{1,2}\s*(?:#.*)?")
_KEY = re.compile(r"\s*([A-Za-z0-9_.-]+|\"[^\"]*\"|'[^']*')\s*=\s*(\S.*|)", re.DOTALL)
_DECIMAL_COMMA = re.compile(r"([+-]?\d+),(\d+)\s*(?:#.*)?")
_THOUSANDS = re.compile(r"([+-]?\d{1,3}(?:,\d{3})+(?:\.\d*)?)\s*(?:#.*)?")
_BARE_WORD = re.compile(r"([^\s\"'\[{#0-9][^\"'#]*)(?:#.*)?")
_CURLY, _MINUS, _NO_BREAK = "“”„‟«»‘’‚", "−–—", "\u00a0\u2007\u202f"
_QUOTED = re.compile(r"\"[^\"]*\"|'[^']*'")
# The parser's work for a key grows with the square of its depth.
_TOO_DEEP = re.compile(r"(?:\.\s*+(?:[\w-]++|\"[^\"]*+\"|'[^']*+')\s*+){20}")
_FIRST_WORD = re.compile(r"\s*([A-Za-z_][A-Za-z0-9_-]*)\b")
_LEFT_OUT = "left out: "


class Text(NamedTuple):
    """What a text holds: its table, what is wrong with it (a line each), and the keys that were lost with that.

    `whole` is False where more than those keys was lost.
    """

    table: dict[str, Any]
    problems: list[str]
    lost: frozenset[str] = frozenset()
    whole: bool = True


def decoded(data: bytes) -> tuple[str, list[str]]:
    """The text of a file's bytes, also where they are not UTF-8, and what is wrong with them then."""
    for mark, encoding in ((b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        if data.startswith(mark):
            return data[2:].decode(encoding, "replace"), ["is UTF-16; save it as UTF-8"]
    if data[1:2] == b"\0" or data[:1] == b"\0":
        encoding = "utf-16-le" if data[1:2] == b"\0" else "utf-16-be"
        return data.decode(encoding, "replace"), ["is UTF-16, or not a text; save it as UTF-8"]
    try:
        return data.decode(), []
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        return data.decode(errors="replace"), [f"line {line}: a byte that is not UTF-8; save the file as UTF-8"]


def table_of(text: str) -> Text:
    """The table that a text of TOML is, as far as it can be read."""
    problems: list[str] = []
    lost: set[str] = set()
    if text.startswith("\ufeff"):
        problems.append("line 1: begins with a byte-order mark; save the file as UTF-8 without one")
        text = text[1:]
    if "\r" in text and "\n" not in text:
        problems.append("its lines end as on an old Mac; save the file with plain line ends (LF)")
        text = text.replace("\r", "\n")
    lines = text.replace("\r\n", "\n").split("\n")
    refused = {index: what for index, line in enumerate(lines) if (what := _what_is_too_much(line))}
    if len(refused) > _MOST_LINES:
        first, what = next(iter(refused.items()))
        return Text({}, [*problems, f"line {first + 1}: {what}; and {len(refused) - 1:,} more such lines"], whole=False)
    for index, what in refused.items():
        problems.append(f"line {index + 1}: {what}")
        lost.add(_dotted_key(lines, index))
        lines[index] = _without_what_is_wrong(lines[index][:_LONGEST_LINE], index)
    for _ in range(max(1, min(_MOST_LINES, _MOST_PARSED // (len(text) + 1)))):
        try:
            return Text(_parsed(lines), problems, frozenset(lost))
        except RecursionError:
            return Text({}, [*problems, "is nested too deeply to be a site file"], whole=False)
        except ValueError as error:
            index = _culprit(lines, error)
            problems.append(f"line {index + 1}: {_what_is_wrong(lines[index], str(error))}")
            lost.add(_dotted_key(lines, index))
            lines[index] = _without_what_is_wrong(lines[index], index)
    try:
        return Text(_parsed(lines), problems, frozenset(lost))
    except (ValueError, RecursionError):
        problems.append("and more lines that are not TOML")
    try:
        return Text(_parsed([line if _stands_alone(line) else "" for line in lines[:_MOST_SALVAGED]]), problems, whole=False)
    except (ValueError, RecursionError):
        return Text({}, problems, whole=False)


def _parsed(lines: list[str]) -> dict[str, Any]:
    return {key: value for key, value in tomllib.loads("\n".join(lines)).items() if not key.startswith(_LEFT_OUT)}


def _culprit(lines: list[str], error: ValueError) -> int:
    """The index of the line to blame: where the parser stopped, or an earlier one that begins a value and does not end it."""
    place = _LINE.search(str(error))
    index = (min(int(place[1]), len(lines)) if place else len(lines)) - 1  # without a place it is "at end of document"
    if _stands_alone(lines[index]) and "overwrite" not in str(error) and "declare" not in str(error):
        begun = next((i for i in range(index - 1, -1, -1) if not _stands_alone(lines[i])), None)
        return index if begun is None else _first_of_its_value(lines, begun)
    return index


def _first_of_its_value(lines: list[str], index: int) -> int:
    """The line with the key of a value that spans several lines."""
    return next((i for i in range(index, -1, -1) if _KEY.fullmatch(lines[i].strip()) or _HEADER.fullmatch(lines[i])), index)


def _stands_alone(line: str) -> bool:
    if not line.strip():
        return True
    try:
        tomllib.loads(line)
    except (ValueError, RecursionError):
        return False
    return True


def _what_is_wrong(line: str, said: str) -> str:
    """In plain words; `said` is the parser's message, which gives its kind and is never shown."""
    if any(ord(letter) < 32 and letter != "\t" for letter in line) or "\x7f" in line:
        return "holds a control character; delete it"
    key, value = match.groups() if (match := _KEY.fullmatch(line.strip())) else ("", "")
    if "declare" in said or "overwrite" in said or "mutate" in said or "immutable" in said:
        what = key or _in_short(line.strip())
        return f"{what} is already there; expected once" + (" (lists have two brackets: [[stream]])" if not key else "")
    if any(letter in _CURLY for letter in value[:1]) or (not key and any(letter in _CURLY for letter in line)):
        return "curly quotation marks; expected straight ones"
    if any(letter in _MINUS for letter in value[:1]):
        return f"read {_in_short(value)}, with a dash for a minus; expected a hyphen: -"
    if comma := _DECIMAL_COMMA.fullmatch(value):
        read, with_point = f"{comma[1]},{comma[2]}", f"{comma[1]}.{comma[2]}"
        return f"read {_in_short(read)}, with a decimal comma; expected a point: {_in_short(with_point)}"
    if thousands := _THOUSANDS.fullmatch(value):
        plain = thousands[1].replace(",", "")
        return f"read {_in_short(thousands[1])}, with a comma between thousands; expected {_in_short(plain)}"
    if any(letter in _NO_BREAK for letter in _QUOTED.sub("", line)):
        return "a no-break space; expected a plain one"
    if line.lstrip().startswith("[") or _HEADER_WITHOUT_ITS_FIRST.fullmatch(line):
        return f"read {_in_short(line.strip())}; expected a table's name in brackets, such as [base] or [[stream]]"
    if not key:
        return f"read {_in_short(line.strip())}; expected KEY = VALUE"
    if not value or value.startswith("#"):
        return f"{key} has no value; expected one after the ="
    if "\\" in value and value.startswith('"'):
        return f"{key}: a backslash in double quotes; expected single quotes: '…'"
    if value[0] in "\"'" and (value.count(value[0]) % 2 or "expected" not in said.lower()):
        return f"{key}: a text that does not end; expected a closing {value[0]}"
    if value[0] in "[{":
        end = "]" if value[0] == "[" else "}"
        return f"{key}: read {_in_short(value)}, which is not closed or lacks a comma; expected {value[0]}…, …{end}"
    if value.split("#")[0].strip() in ("True", "False", "TRUE", "FALSE", "yes", "no", "on", "off"):
        return f"{key}: read {_in_short(value)}; expected true or false"
    if word := _BARE_WORD.fullmatch(value):
        return f'{key}: read {_in_short(word[1].rstrip())}; expected a text in quotes: "{_in_short(word[1].rstrip())}"'
    return f"{key}: read {_in_short(value)}; expected a number, a text in quotes, or true or false"


def _what_is_too_much(line: str) -> str | None:
    """Why a line is not even given to the parser."""
    if len(line) <= _LONGEST_LINE:
        return "is nested too deeply for a site file" if _TOO_DEEP.search(line) else None
    key, value = match.groups() if (match := _KEY.fullmatch(line.strip())) else ("", "")
    what = f"{key}: " if 0 < len(key) <= 60 else ""
    if len(value) > _LONGEST_LINE and value[:_LONGEST_LINE].isdecimal():
        return f"{what}a number of thousands of digits; expected a shorter one"
    return f"{what}{len(line):,} characters on one line; expected at most {_LONGEST_LINE:,}: a list may go over several lines"


def _without_what_is_wrong(line: str, index: int) -> str:
    """What the line becomes so that those around it can be read: a header stays one, or its keys would join another table."""
    left_out = f'["{_LEFT_OUT}{index}"]'
    header = _HEADER.fullmatch(line) or _HEADER_WITHOUT_ITS_FIRST.fullmatch(line)
    if not header:
        return left_out if line.lstrip().startswith("[") else ""
    name = header[2].strip()
    mended = f"[[{name}]]" if header[1] == "[[" or "]]" in line else f"[{name}]"
    return mended if mended != line.strip() and _stands_alone(mended) else left_out


def _dotted_key(lines: list[str], index: int) -> str:
    """The key that the line gives, with its table's name and place in a list: `project.control[2].height`."""
    match = _KEY.fullmatch(lines[index].strip()) or _FIRST_WORD.match(lines[index])
    key = match[1].strip("\"'") if match else ""
    for row in range(index, -1, -1):
        header = _HEADER.fullmatch(lines[row])
        if header and not (row == index and key):
            name = header[2].strip()
            if header[1] == "[[":
                same = sum(1 for line in lines[: row + 1] if (h := _HEADER.fullmatch(line)) and h.groups() == header.groups())
                name = f"{name}[{same}]"
            return f"{name}.{key}" if key else name
    return key


def _in_short(text: str) -> str:
    plain = "".join(letter if letter.isprintable() else "�" for letter in text[:60])
    return plain if len(text) <= 60 else plain[:59] + "…"
