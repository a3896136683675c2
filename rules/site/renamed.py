"""Figures of the site file that once had another name: an error names the new one; a copy in a log or a tape is read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

RENAMED: dict[str, dict[str, str]] = {
    "corrections-stopped": {"first_s": "first_silence_s"},
    "fix-lost": {"never_s": "never_fixed_s"},
    "base-moved": {"lasts_s": "news_s", "right_m": "tolerance_m"},
    "link-overload": {"limit": "limit_share"},
}


def new_name(key: str) -> str | None:
    """What the key ("rules.fix-lost.never_s") is called now, None where it never had another name."""
    table, _, rest = key.partition(".")
    rule, _, figure = rest.partition(".")
    return RENAMED.get(rule, {}).get(figure) if table == "rules" else None


def under_new_names(figures: Mapping[str, Any]) -> dict[str, Any]:
    """Tables of figures by rule, each figure under today's name; where it has both, the new name's value counts."""
    return {rule: _renamed(rule, values) if isinstance(values, Mapping) else values for rule, values in figures.items()}


def _renamed(rule: str, values: Mapping[str, Any]) -> dict[str, Any]:
    names = RENAMED.get(rule, {})
    return {names.get(name, name): value for name, value in values.items() if names.get(name) not in values}
