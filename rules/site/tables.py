"""Tables of TOML as structs: each key that cannot be read is named, with what was read and what was expected."""

from __future__ import annotations

import datetime as dt
import functools
import math
import types
import typing
from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct
from witnesspost.rules.naming import KEYS_ALIKE, did_you_mean
from witnesspost.rules.site.renamed import new_name

MOST_LINES = 20
"""About one list or table of a site file, however many more mistakes it holds."""

_LONGEST_SHOWN = 80
_MOST_BITS = 1000  # of an integer: no float holds more than 1023


class TableReader:
    """Reads tables, collecting in `problems` what is wrong, a line each, and in `unread` the keys that it leaves out.

    `unread` may begin with keys that the file has but that were lost earlier: nothing more is said of them.
    """

    def __init__(self, unread: Iterable[str] = ()):
        self.problems: list[str] = []
        self.unread: set[str] = set(unread)

    def struct(self, kind: type[Struct], table: object, where: str = "", otherwise: Mapping[str, Any] | None = None) -> Any:
        """`table` as a `kind`, named from `where` (its own key); None where something that it must have could not be read.

        `otherwise` holds stand-ins for keys that are missing or could not be read.
        """
        if not isinstance(table, dict):
            self._wrong(where, f"{where}: read {shown(table)}; expected a table")
            return None
        fields = keys_of(kind)
        values: dict[str, Any] = dict(otherwise or {})
        unknown = 0
        for key, value in table.items():
            here = _dotted(where, key)
            if key not in fields:
                unknown += 1
                now = new_name(here)
                if unknown <= MOST_LINES:
                    self.problems.append(f"{here} is now called {now}" if now else f"{here}: unknown key{nearest(key, fields)}")
            elif (read := self._value(fields[key].type, value, here)) is not None:
                values[key] = read
        if unknown > MOST_LINES:
            self.problems.append(_more(unknown - MOST_LINES))
        for name, field in fields.items():
            here = _dotted(where, name)
            if field.required and name not in table and here not in self.unread:
                self._wrong(here, f"{here}: missing; expected {_words(field.type)}")
        if any(field.required and name not in values for name, field in fields.items()):
            return None
        if "where" in kind.__struct_fields__:
            values["where"] = where
        return kind(**values)

    def _value(self, wanted: Any, value: object, where: str) -> Any:
        inner = struct_in(wanted)
        if inner is not None and typing.get_origin(wanted) is list:
            if not isinstance(value, list):
                self._wrong(where, f"{where}: read {shown(value)}; expected a list of tables, [[{where}]]")
                return None
            before = len(self.problems)
            read = [self.struct(inner, item, f"{where}[{index}]") for index, item in enumerate(value, 1)]
            self.problems[before:] = few(self.problems[before:])
            return [item for item in read if item is not None]
        if inner is not None:
            return self.struct(inner, value, where)
        try:
            if isinstance(value, float) and not math.isfinite(value):
                raise msgspec.ValidationError
            if isinstance(value, int) and value.bit_length() > _MOST_BITS:
                raise msgspec.ValidationError
            return msgspec.convert(value, wanted)
        except msgspec.ValidationError:
            read_value = "what is not shown here" if _is_secret(wanted) else shown(value)
            self._wrong(where, f"{where}: read {read_value}; expected {_words(wanted)}{_comma_hint(wanted, value)}")
            return None

    def _wrong(self, where: str, problem: str) -> None:
        self.problems.append(problem)
        self.unread.add(where)


def struct_from(kind: type[Struct], table: object, where: str, problems: list[str]) -> Any:
    """`table` as a `kind`, or None; what is wrong in it is added to `problems`, named from `where` (the table's key)."""
    reader = TableReader()
    read = reader.struct(kind, table, where)
    problems += reader.problems
    return read


@functools.cache
def keys_of(kind: type[Struct]) -> Mapping[str, msgspec.structs.FieldInfo]:
    """The keys that a table of this kind may have: the struct's fields but for `where` and those that it names `no_keys`."""
    others = {"where", *getattr(kind, "no_keys", ())}
    return {field.name: field for field in msgspec.structs.fields(kind) if field.name not in others}


@functools.cache
def struct_in(wanted: Any) -> type[Struct] | None:
    """The struct that an annotation is, is a list of, or allows beside None."""
    if isinstance(wanted, type) and issubclass(wanted, Struct):
        return wanted
    if typing.get_origin(wanted) in (list, typing.Union, types.UnionType):
        return next((found for part in typing.get_args(wanted) if (found := struct_in(part))), None)
    return None


def few(problems: Iterable[str], most: int = MOST_LINES) -> Iterator[str]:
    """The first lines of very many, and how many more there are."""
    left = 0
    for count, problem in enumerate(problems):
        if count < most:
            yield problem
        else:
            left += 1
    if left:
        yield _more(left)


def _more(left: int) -> str:
    return f"{left:,} more lines like these"


def nearest(key: str, known: Iterable[str]) -> str:
    """How a message about an unknown name ends: with the known ones that look like it, or all of them."""
    names = list(known)
    return did_you_mean(key, names, KEYS_ALIKE) or f"; known here: {', '.join(names)}"


def shown(value: object) -> str:
    """A value that was read, for a message: as TOML writes it, of bounded length."""
    text = _written(value)
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 1] + "…"


def _written(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int) and value.bit_length() > _MOST_BITS:
        return f"a number of about {value.bit_length() * 30103 // 100000:,} digits"
    if isinstance(value, str):
        return repr(value[: 2 * _LONGEST_SHOWN])
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return f"[{', '.join(_written(item) for item in value[:10])}]"
    if isinstance(value, dt.datetime | dt.date | dt.time):
        return value.isoformat()
    return repr(value)


def on_one_line(name: str) -> str:
    """A name as it is if it is short and printable, else quoted and cut."""
    return name if name.isprintable() and len(name) <= _LONGEST_SHOWN else shown(name)


def _dotted(where: str, key: str) -> str:
    return f"{where}.{on_one_line(key)}" if where else on_one_line(key)


def _comma_hint(wanted: Any, value: object) -> str:
    """What to add where a number with a decimal comma was put in quotes so that TOML accepts it."""
    numbers = float in (wanted, *typing.get_args(wanted)) or typing.get_args(wanted)[:1] == (float,)
    if numbers and isinstance(value, str) and value.count(",") == 1 and value.replace(",", "").strip(" +-").isdecimal():
        return f", with a point: {value.strip().replace(',', '.')}"
    return ""


def _is_secret(wanted: Any) -> bool:
    """True where the value is not to be shown to whoever reads the line."""
    parts = typing.get_args(wanted)
    return any(isinstance(part, Meta) and bool(part.extra) for part in parts) or any(
        _is_secret(part) for part in parts if typing.get_origin(part) is Annotated
    )


def _words(wanted: Any) -> str:
    """What a value of this annotation must be."""
    origin, parts = typing.get_origin(wanted), typing.get_args(wanted)
    if origin is Annotated:
        bounds = next(part for part in parts[1:] if isinstance(part, Meta))
        if bounds.description:
            return bounds.description
        said = [
            f"{sign} {bound:.10g}"
            for sign, bound in (("over", bounds.gt), ("from", bounds.ge), ("to", bounds.le), ("under", bounds.lt))
            if bound is not None
        ]
        return " ".join([_words(parts[0]), *said])
    if origin is Literal:
        return " or ".join(f'"{part}"' for part in parts)
    if origin is list:
        return "a list of tables, [[…]]" if struct_in(wanted) else f"a list of {_words(parts[0])}"
    if origin is dict:
        return "a table"
    if origin in (typing.Union, types.UnionType):
        return " or ".join(_words(part) for part in parts if part is not type(None))
    if struct_in(wanted):
        return "a table"
    return {float: "a number", int: "a whole number", str: "a text", bool: "true or false"}.get(wanted, str(wanted))
