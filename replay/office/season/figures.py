"""By what a log is judged again: the figures of its day, and the new ones.

The site stays the log's own: its streams, its marks, its base. Of a site file that brings new figures only `[rules.…]` and
`[[own_rule]]` are taken, so that one file can be tried on the logs of many posts; without one the new figures are this
program's, with what the log's own site file sets.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.book.measures import measure_problems
from witnesspost.rules.site.file import NotReadable, bytes_of
from witnesspost.rules.site.model import Site, SiteError
from witnesspost.rules.site.reading import draft_of_table
from witnesspost.rules.site.text import decoded, table_of

_TAKEN = ("rules", "own_rule")
_ANY_POST = {
    "post": {"name": "season", "role": "rover"},
    "stream": [{"name": "any", "port": "loop://", "carries": ["corrections", "positions"]}],
}

Tables = Mapping[str, Any]
"""`rules` and `own_rule` as a site file has them."""


def new_figures(path: str | Path) -> Tables:
    """The figures in a site file, or in a file that has nothing else. Raises SiteError with all that is wrong with them."""
    try:
        text, problems = decoded(bytes_of(path))
    except NotReadable as error:
        raise SiteError(str(path), [f"cannot be read: {error}; name a site file"]) from None
    read = table_of(text)
    problems += read.problems
    tables = {name: read.table[name] for name in _TAKEN if name in read.table}
    draft = draft_of_table({**_ANY_POST, **tables}, str(path), FIGURES)
    problems += draft.problems
    if not problems:
        problems += measure_problems(draft.site, taken=FIGURES)
    if not problems and not tables:
        problems = ["has no figures; expected [rules.NAME] or [[own_rule]]"]
    if problems:
        raise SiteError(str(path), problems)
    return tables


def judged_by(site: Site, tables: Tables) -> None:
    """Let `site` be judged by these figures, which `new_figures` has read."""
    draft = draft_of_table({**_ANY_POST, **tables}, site.path, FIGURES)
    site.rules, site.own_rule = draft.site.rules, draft.site.own_rule


def judged_as_then(site: Site, then: Mapping[str, Mapping[str, Any]]) -> None:
    """Let `site` be judged by the figures that were in force, as the log says: a rule that was not is off."""
    own = {rule.name: rule for rule in site.own_rule}
    site.own_rule = [own[name] for name in own if name in then]
    site.rules = {name: _known(name, then[name]) if name in then else {"off": True} for name in FIGURES}


def _known(rule: str, figures: Mapping[str, Any]) -> dict[str, Any]:
    """Those of a rule's figures that it still has."""
    return {name: value for name, value in figures.items() if name in FIGURES[rule].__struct_fields__}
