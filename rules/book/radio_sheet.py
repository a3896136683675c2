"""radio-sheet (check): the two radios are set differently: the site file's two radio tables do not agree.

When: at once, at the start: two radios that differ in one of these hear nothing of each other, or only noise.
Causes: one for each key that both tables name and that differs. Source: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from witnesspost.rules.book.radio import sheet_differences
from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule


class RadioSheet(Rule[Delays]):
    """See the module."""

    name = "radio-sheet"
    severity = "check"
    causes = {
        "frequency-differs": Advice(
            "The radio sheet says {base_says} MHz at the base and {rover_says} MHz at the rover.",
            ("Read the frequency off both radios.", "Set both the same (a licensed one), or mend the site file."),
        ),
        "protocol-differs": Advice(
            "The radio sheet says protocol {base_says} at the base and {rover_says} at the rover.",
            ("Read the protocol off both radios.", "Set both the same, or mend the site file."),
        ),
        "error-correction-differs": Advice(
            "The radio sheet says forward error correction {base_says} at the base and {rover_says} at the rover.",
            ("Read it off both radios (FEC).", "Set both the same, or mend the site file."),
        ),
        "air-rate-differs": Advice(
            "The radio sheet says {base_says} bit/s on the air at the base and {rover_says} at the rover.",
            ("Read the air rate off both radios.", "Set both the same, or mend the site file."),
        ),
    }

    def begin(self) -> None:
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
