"""What the code itself knows of the documentation: `python -m tests.documentation` writes it anew."""

import re
from collections.abc import Callable, Iterable
from pathlib import Path

from witnesspost.replay.play.proving import all_scenarios, scenario_table
from witnesspost.rules.book.contents import RULES
from witnesspost.rules.engine.consequences import EXPLAINED_BY

from tests.schema_page import log_schema_page

TOP = Path(__file__).parents[1]
PAGE = TOP / "DEVELOPERS.md"


def rules_table() -> str:
    """Every rule: severity, where, causes, figures, and what explains it."""
    lines = ["| rule | at | causes | figures | explained by |", "|---|---|---|---|---|"]
    for rule in sorted(RULES, key=lambda rule: rule.name):
        figures = rule.Figures()
        said = ", ".join(f"{name} {getattr(figures, name):g}" for name in figures.__struct_fields__)
        at = "both" if len(rule.at) == 2 else rule.at[0]
        causes = ", ".join(f"`{cause}`" for cause in rule.causes)
        reasons = ", ".join(f"`{reason}`" for reason in EXPLAINED_BY.get(rule.name, ())) or "–"
        lines.append(f"| `{rule.name}` ({rule.severity}) | {at} | {causes} | {said} | {reasons} |")
    return "\n".join(lines)


TABLES = {"rules": rules_table, "scenarios": lambda: scenario_table(all_scenarios())}


PAGES: dict[Path, Callable[[], str]] = {TOP / "daemon" / "log" / "README.md": log_schema_page}
"""Pages that the code writes whole."""


def written(page: str, tables: Iterable[str] = TABLES) -> str:
    """The page with these tables between their marks as the code has them now; the scenarios' takes some minutes."""
    for name in tables:
        text = TABLES[name]()
        mark = rf"(<!-- {name} -->\n).*?(<!-- end of {name} -->)"
        assert re.search(mark, page, re.DOTALL), f"no place for the table of {name}"
        page = re.sub(mark, lambda match, text=text: f"{match[1]}\n{text}\n\n{match[2]}", page, flags=re.DOTALL)
    return page


if __name__ == "__main__":
    PAGE.write_text(written(PAGE.read_text()))
    for path, page in PAGES.items():
        path.write_text(page())
