"""What can be used of a site file that is wrong: enough to go on logging raw bytes, and to show it by light.

A typo in a limit must not cost a day of bytes. The file is read as `reading` reads it; ports, outputs and button that are
sound are kept, and every rule but `post-health` is off.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from msgspec import Struct
from witnesspost.rules.site.contradictions import office_problems, signal_problems
from witnesspost.rules.site.file import NotReadable, bytes_of
from witnesspost.rules.site.model import Button, Office, Page, Post, Signal, Site, Stream
from witnesspost.rules.site.tables import TableReader
from witnesspost.rules.site.text import decoded, table_of

_NO_NAME = re.compile(r"[^A-Za-z0-9-]+")


def salvage(path: str | Path, rules: Iterable[str]) -> Site:
    """A site of whatever is sound in the file at `path`; where nothing is, it has no stream and no output.

    The name falls back to the file's own, the role to "base"; the rules of these names are switched off. Never raises.
    """
    try:
        table = table_of(decoded(bytes_of(path))[0]).table
    except NotReadable:
        table = {}
    name = _NO_NAME.sub("-", Path(path).stem).strip("-")[:40].rstrip("-") or "post"
    streams: list[Stream] = []
    for index, stream in enumerate(_tables(table, "stream"), 1):
        read = _read(Stream, stream, name=f"stream-{index}", carries=["corrections", "positions"])
        if read and read.name not in {s.name for s in streams} and read.port not in {s.port for s in streams}:
            streams.append(read)
    signals = [_read(Signal, signal) for signal in _tables(table, "signal")]
    office = _first(Office, table, "office")
    return Site(
        post=_first(Post, table, "post", name=name, role="base") or Post(name=name, role="base"),
        stream=streams,
        signal=[signal for signal in signals if signal and not list(signal_problems(signal))],
        button=_first(Button, table, "button"),
        page=_first(Page, table, "page"),
        office=office if office is not None and not list(office_problems(office)) else None,
        rules={rule: {"off": True} for rule in rules if rule != "post-health"},
        path=str(path),
    )


def _read(kind: type[Struct], table: object, **otherwise: Any) -> Any:
    return TableReader().struct(kind, table, otherwise=otherwise)


def _first(kind: type[Struct], table: dict[str, Any], key: str, **otherwise: Any) -> Any:
    found = (_read(kind, one, **otherwise) for one in _tables(table, key))
    return next((one for one in found if one is not None), None)


def _tables(table: dict[str, Any], key: str) -> list[Any]:
    """The tables of that name, one or several, whether the file has them as a table or a list."""
    value = table.get(key, [])
    return value if isinstance(value, list) else [value]
