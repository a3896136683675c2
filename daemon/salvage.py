"""What can be had from a site file that is wrong: enough to go on logging raw bytes, and to say so by light.

A typo in a limit must not cost a day of bytes. The file is read table by table, and a table line by line where it is no
TOML; what is left is a site with its ports, outputs and button in which every rule but `post-health` is off.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

import msgspec
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.site.model import Button, Page, Post, Signal, Site, Stream

_HEADER = re.compile(r"^\s*\[\[?\s*([A-Za-z0-9_.\"' -]+?)\s*\]\]?\s*(?:#.*)?$")
_NAME = re.compile(r"[^A-Za-z0-9-]+")
_Table = TypeVar("_Table", bound=msgspec.Struct)


def salvage(path: str | Path) -> Site:
    """A site of whatever is sound in the file at `path`, which may be none of it: then it has no stream and no output.

    The name falls back to the file's own, the role to "base". Never raises.
    """
    try:
        text = Path(path).read_text(errors="replace")
    except OSError:
        text = ""
    tables = _tables(text)
    name = _NAME.sub("-", Path(path).stem).strip("-") or "post"
    post = _first(_sound(Post, table, name=name, role="base") for table in tables.get("post", [{}]))
    streams: list[Stream] = []
    for index, table in enumerate(tables.get("stream", []), 1):
        stream = _sound(Stream, table, name=f"stream-{index}", carries=["corrections", "positions"])
        if stream and stream.name not in {s.name for s in streams} and stream.port not in {s.port for s in streams}:
            streams.append(stream)
    signals = [signal for table in tables.get("signal", []) if (signal := _sound(Signal, table)) and _complete(signal)]
    return Site(
        post=post or Post(name=name, role="base"),
        stream=streams,
        signal=signals,
        button=_first(_sound(Button, table) for table in tables.get("button", [])),
        page=_first(_sound(Page, table) for table in tables.get("page", [])),
        rules={name: {"off": True} for name in FIGURES if name != "post-health"},
        path=str(path),
    )


def _tables(text: str) -> dict[str, list[dict[str, Any]]]:
    """The file's tables by their header, in order; a table that is no TOML keeps those of its lines that are."""
    try:
        whole = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError):
        found: dict[str, list[dict[str, Any]]] = {}
        name, lines = "", []
        for line in [*text.splitlines(), "[end]"]:
            header = _HEADER.match(line)
            if header is None:
                lines.append(line)
                continue
            found.setdefault(name, []).append(_table(lines))
            name, lines = header[1], []
        return found
    listed = {name: value if isinstance(value, list) else [value] for name, value in whole.items()}
    return {name: [table for table in tables if isinstance(table, dict)] for name, tables in listed.items()}


def _table(lines: list[str]) -> dict[str, Any]:
    try:
        return tomllib.loads("\n".join(lines))
    except (tomllib.TOMLDecodeError, RecursionError):
        table: dict[str, Any] = {}
        for line in lines:
            try:
                table.update(tomllib.loads(line))
            except (tomllib.TOMLDecodeError, RecursionError):
                continue
        return table


def _sound(kind: type[_Table], table: dict[str, Any], **otherwise: Any) -> _Table | None:
    """The table as a `kind`: a key that is wrong or missing has its value in `otherwise`, or its default; else None."""
    values = {}
    for field in msgspec.structs.fields(kind):
        for given in (table, otherwise):
            if field.name in given:
                try:
                    values[field.name] = msgspec.convert(given[field.name], field.type)
                    break
                except msgspec.ValidationError:
                    continue
        else:
            if field.required:
                return None
    return kind(**values)


def _complete(signal: Signal) -> bool:
    """True if the signal names its pin or its LED."""
    return signal.kind == "bell" or (bool(signal.led) if signal.kind == "led-class" else signal.pin is not None)


def _first(found: Any) -> Any:
    return next((one for one in found if one is not None), None)
