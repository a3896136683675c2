"""A site file's text as a log keeps it: complete, so that the log can be judged anywhere."""

from __future__ import annotations

import re
import tomllib
from typing import Any

import msgspec
from witnesspost.rules.site.model import Site

_IN_ADDRESS = re.compile(r"(mqtts?://)[^/\s\"']*@")
_PASSWORD = re.compile(r"""(["']?\bpassword["']?\s*=\s*)(?:"[^"\n]*"|'[^'\n]*')""")
"""A password in a broker's address, or under a key: such a site file is refused, and its text is logged all the same."""
_SAID = re.compile(r"""(["']?\bpin["']?\s*=\s*)(?:"[^"\n]*"|'[^'\n]*'|\d[\d_]{2,})""")
"""A pin in a text that is no TOML, or as TOML writes it. A GPIO pin is a number of at most two digits."""


def self_contained(text: str, site: Site) -> str:
    """`text`, from which `site` was read, with the marks themselves in place of the control files that it names.

    The page's pin is left blank: a log is given away, and whoever reads it must not be let in by it. The office's password is
    in a file of its own, and never in here.
    """
    text = _PASSWORD.sub(r'\1""', _IN_ADDRESS.sub(r"\1", text))
    table = _table(text)
    if table is None:
        return _SAID.sub(r'\1""', text)
    whole = text
    page, project = table.get("page"), table.get("project")
    if isinstance(page, dict) and "pin" in page:
        page["pin"] = ""
        whole = _SAID.sub(r'\1""', text)
    if site.project is not None and site.project.control_file and isinstance(project, dict):
        del project["control_file"]
        marks = (msgspec.structs.asdict(mark) for mark in site.project.control)
        project["control"] = [{k: v for k, v in mark.items() if v is not None and k != "where"} for mark in marks]
    elif _table(whole) == table:  # as it was written, comments and all
        return whole
    import tomli_w

    return tomli_w.dumps(table)


def _table(text: str) -> dict[str, Any] | None:
    """A site file's text as a table, None where it is no TOML."""
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except (tomllib.TOMLDecodeError, RecursionError):
        return None
