"""The pages that the code itself knows: `python -m tests.documentation [PART OF A PATH]…` writes them anew.

All of them take some minutes: the scenarios are invented for theirs.
"""

import sys
from collections.abc import Callable
from pathlib import Path

from witnesspost.replay.play.proving import all_scenarios, scenario_row, scenario_table

from tests.rules_page import rules_page
from tests.schema_page import log_schema_page

TOP = Path(__file__).parents[1]

_SCENARIOS_HEAD = """# The scenarios

Invented days, each with what the post ought to say. This page is written by `python -m tests.documentation`.

A scenario is one TOML file: a site file's tables under `[site]`, the true world (`[messages]`, `[base]`, `[rover]`,
`[link]`), and what happens in it (`[[event]]`). `like` starts from another scenario, `[[variant]]` makes a family of it. What
the post ought to say is worked out from the events and from what really arrives (`replay/world/truth.py`); an event states it
(`expect`) only where the model cannot know. The keys are the structs of `replay/world/scenario.py`, the events those of
`replay/world/events.py`. The model's own figures (how long a fix outlives its corrections, say) stand in
`replay/world/receiver.py`, `replay/world/link.py` and `replay/world/crew.py`.

    witnesspost replay FILE.toml --grade              # all variants of a file, or FILE.toml:VARIANT
    witnesspost prove --seeds 20 --jobs 2             # all files; --days adds the whole days

A row's last column is what the model expects with the scenario's own seed; of what lasts over 50 minutes only what its events
say.

"""


def scenarios_page() -> str:
    """Every scenario with what it is about and what is expected of the post: they are all invented, which takes minutes."""
    return f"{_SCENARIOS_HEAD}{scenario_table(map(scenario_row, all_scenarios()))}\n"


SCENARIOS = TOP / "replay" / "scenarios" / "README.md"

PAGES: dict[Path, Callable[[], str]] = {
    TOP / "rules" / "README.md": rules_page,
    TOP / "daemon" / "log" / "README.md": log_schema_page,
    SCENARIOS: scenarios_page,
}
"""Pages that the code writes whole."""


if __name__ == "__main__":
    for path, page in PAGES.items():
        if not sys.argv[1:] or any(name in str(path.relative_to(TOP)) for name in sys.argv[1:]):
            path.write_text(page())
