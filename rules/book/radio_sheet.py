"""radio-sheet (check): the site file's two radio tables differ: set so, radios hear nothing of each other, or only noise.

When: at once, at the start. Which of the two the radios themselves are set to is not known: that is read off them.
Causes: one for each key that both tables name and that differs. Source: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from witnesspost.rules.book.radio import sheet_differences
from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.language.names import called

_SET_BOTH = "Set both the same, and correct the site file."


class RadioSheet(Rule[Delays]):
    """What both radio tables name and say differently; it does not change within a run."""

    name = "radio-sheet"
    severity = "check"
    causes = {
        "frequency-differs": Advice(
            "The site file has {base_says} MHz for the base's radio and {rover_says} MHz for the rover's.",
            (
                "Read the frequency off both radios.",
                "Set both to the same channel, one that you are licensed for, and correct the site file.",
            ),
        ),
        "protocol-differs": Advice(
            "The site file has protocol {base_says} for the base's radio and {rover_says} for the rover's.",
            ("Read the protocol off both radios.", _SET_BOTH),
        ),
        "error-correction-differs": Advice(
            "The site file has forward error correction {base_says} for the base's radio and {rover_says} for the rover's.",
            ("Read this setting (FEC) off both radios.", _SET_BOTH),
        ),
        "air-rate-differs": Advice(
            "The site file has an air rate of {base_says} bit/s for the base's radio and {rover_says} for the rover's.",
            ("Read the air rate off both radios.", _SET_BOTH),
        ),
    }

    def begin(self) -> None:
        self._differences = sheet_differences(self.site)

    def due(self) -> float:
        """At the start, or never."""
        return 0.0 if self._differences else math.inf

    def judge(self, t: float) -> Iterable[Finding]:
        """One finding that names all differences."""
        differences = self._differences
        if not differences:
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
                "base_says": _in_words(evidence[f"base_{first}"]),
                "rover_says": _in_words(evidence[f"rover_{first}"]),
            },
        )


def _in_words(value: object) -> str:
    return {True: "on", False: "off"}[value] if isinstance(value, bool) else called(str(value))
