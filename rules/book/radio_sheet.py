"""The two radios are set differently: what the site file's two radio tables say does not agree.

When: at once, at the start: two radios that differ in one of these hear nothing of each other, or only noise.
Causes: one for each key that both tables name and that differs. Source: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from witnesspost.rules.book.radio import sheet_differences
from witnesspost.rules.engine.rule import Cause, Finding, Rule


class RadioSheet(Rule):
    """See the module."""

    name = "radio-sheet"
    severity = "check"
    causes = ("frequency-differs", "protocol-differs", "error-correction-differs", "air-rate-differs")

    def __init__(self, *args: object):
        super().__init__(*args)  # type: ignore[arg-type]
        self._differences = sheet_differences(self.site)

    def judge(self, t: float) -> Iterable[Finding]:
        """One finding that names all differences."""
        differences = self._differences
        if not differences:
            self.quiet_until = math.inf
            return
        evidence = {}
        for key, _cause in differences.items():
            evidence[f"base_{key}"] = getattr(self.site.radio.base, key)
            evidence[f"rover_{key}"] = getattr(self.site.radio.rover, key)
        first = next(iter(differences))
        yield Finding(
            causes=[Cause(cause=cause) for cause in differences.values()],
            since=0.0,
            evidence=evidence,
            words={
                "base_says": str(evidence[f"base_{first}"]),
                "rover_says": str(evidence[f"rover_{first}"]),
            },
        )
