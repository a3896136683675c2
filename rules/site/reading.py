"""How a site file (TOML) becomes a `Site`: every problem at once, each with its key, what was read and what was expected.

    bytes ──text──► table ──tables──► structs (and keys that could not be read) ──contradictions──► Site, or SiteError

The copy of a site file in a log or a tape is *recorded*: it is read as it was when it was written.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from msgspec import Struct
from witnesspost.rules.site.contradictions import contradictions
from witnesspost.rules.site.control_file import control_of
from witnesspost.rules.site.file import NotReadable, bytes_of
from witnesspost.rules.site.model import Post, Site, SiteError
from witnesspost.rules.site.renamed import under_new_names
from witnesspost.rules.site.tables import TableReader, few, nearest, on_one_line, shown
from witnesspost.rules.site.text import Text, decoded, table_of

Figures = Mapping[str, type[Struct]]


class Draft(NamedTuple):
    """A site file as far as it could be read, what is wrong with it so far, and the keys that could not be read.

    `site` has stand-ins for what must be there: further checks leave out what depends on a key in `unread`.
    """

    site: Site
    problems: list[str]
    unread: frozenset[str]

    def sound(self) -> Site:
        """The site. Raises SiteError where anything is wrong."""
        if self.problems:
            raise SiteError(self.site.path, self.problems)
        return self.site


def draft_of_file(path: str | Path, figures: Figures | None = None) -> Draft:
    """The site file at `path`; `figures` are the rules' own structs by rule name. Raises SiteError if it cannot be read."""
    try:
        data = bytes_of(path)
    except NotReadable as error:
        raise SiteError(str(path), [f"cannot be read: {error}; name a site file"]) from None
    text, problems = decoded(data)
    return _draft(table_of(text), str(path), figures, problems=problems)


def site_from_toml(text: str, path: str = "", figures: Figures | None = None, *, recorded: bool = False) -> Site:
    """The site file whose text this is; `path` names it in problems. Raises SiteError with all of them."""
    return _draft(table_of(text), path, figures, recorded).sound()


def site_from_table(table: dict[str, Any], path: str = "", figures: Figures | None = None, *, recorded: bool = False) -> Site:
    """The site that a parsed table says (a scenario carries one). Raises SiteError with all problems."""
    return draft_of_table(table, path, figures, recorded=recorded).sound()


def draft_of_table(table: dict[str, Any], path: str = "", figures: Figures | None = None, *, recorded: bool = False) -> Draft:
    """The same, for callers that check more. Never raises."""
    return _draft(Text(table, []), path, figures, recorded)


def _draft(text: Text, path: str, figures: Figures | None, recorded: bool = False, problems: list[str] | None = None) -> Draft:
    table = _as_today(text.table) if recorded else text.table
    reader = TableReader(text.lost)
    reader.problems += [*(problems or []), *text.problems]
    if not text.whole:  # what the table lacks may be in the text: no more can be said
        return Draft(Site(**_stand_ins(), path=path), reader.problems, frozenset())
    site: Site = reader.struct(Site, table, otherwise=_stand_ins())
    site.path = path
    if figures is not None:
        _read_figures(table, figures, reader)
    if site.project is not None and site.project.control_file:
        site.project.control += control_of(site.project.control_file, site.folder, reader)
    reader.problems += contradictions(site, table, reader.unread)
    return Draft(site, reader.problems, frozenset(reader.unread))


def _stand_ins() -> dict[str, Any]:
    """Stand-ins for the tables that a site must have, where they cannot be read."""
    return {"post": Post(name="unreadable", role="base"), "stream": []}


def _read_figures(table: Mapping[str, Any], figures: Figures, reader: TableReader) -> None:
    tables = table.get("rules")
    before = len(reader.problems)
    for name, values in tables.items() if isinstance(tables, dict) else ():
        where = f"rules.{on_one_line(name)}"
        if name not in figures:
            reader.problems.append(f"{where}: there is no such rule{nearest(name, figures)}")
        elif isinstance(values, dict):
            if not isinstance(values.get("off", False), bool):
                reader.problems.append(f"{where}.off: read {shown(values['off'])}; expected true or false")
            wanted = {key: value for key, value in values.items() if key != "off"}
            reader.struct(figures[name], wanted, where)
            for key, value in wanted.items():
                if isinstance(value, int | float) and value < 0 and f"{where}.{key}" not in reader.unread:
                    reader.problems.append(f"{where}.{key}: read {shown(value)}; expected a number from 0")
    reader.problems[before:] = few(reader.problems[before:])


def _as_today(table: Mapping[str, Any]) -> dict[str, Any]:
    """A recorded table under today's names, with the value of what could be left out then."""
    today = dict(table)
    if isinstance(table.get("rules"), dict):
        today["rules"] = under_new_names(table["rules"])
    if isinstance(table.get("project"), dict) and table["project"].get("frame") != "local":
        today["project"] = {"vertical": "geoid", **table["project"]}
    if isinstance(table.get("page"), dict):
        today["page"] = {key: value for key, value in table["page"].items() if key != "pin"}
    return today
