"""antenna-mismatch (check): the base says that it has another antenna than the site file does.

When: the descriptor in 1007, 1008 or 1033 of the project's station is not `base.antenna`; at once, for as long as any of the
three says so. Compared are the antenna's name and its radome as the IGS writes them (rcvr_ant.tab, from memory): capitals
and the number of blanks do not matter, a missing radome is NONE. A wrong antenna is a wrong phase centre: centimetres.

Cause: `descriptor-differs`. Source: the descriptors' form is the IGS's (rcvr_ant.tab); the rule is common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.facts import Antenna, Fact


class AntennaMismatch(Rule[Delays]):
    """See the module."""

    name = "antenna-mismatch"
    severity = "check"
    sees = (Antenna,)
    causes = {
        "descriptor-differs": Advice(
            "The base says that its antenna is {said}; the site file says {expected}.",
            (
                "Read the type on the antenna itself.",
                "Set it at the base, or mend the site file, whichever is wrong.",
                "Tell the office: heights since the start may be out by centimetres.",
            ),
        ),
    }

    def begin(self) -> None:
        self._wanted = _antenna_and_radome(self.site.base.antenna)
        self._different: dict[int, Antenna] = {}

    def see(self, fact: Fact) -> None:
        if not self._wanted or not isinstance(fact, Antenna) or not self.scene.is_ours(fact.station_id):
            return
        if _antenna_and_radome(fact.descriptor) == self._wanted:
            self._different.pop(fact.message, None)
            return
        before = self._different.get(fact.message)
        if before is None or before.station_id != fact.station_id:
            self._different[fact.message] = fact
            self.quiet_until = 0.0

    def judge(self, t: float) -> Iterable[Finding]:
        if not self._different:
            self.quiet_until = math.inf
        different = [antenna for antenna in self._different.values() if self.scene.is_ours(antenna.station_id)]
        if different:
            first = min(different, key=lambda antenna: antenna.t)
            yield Finding(
                causes=[Cause(cause="descriptor-differs")],
                stream=first.stream,
                since=first.t,
                evidence={
                    "broadcast": first.descriptor.strip() or None,
                    "expected": self.site.base.antenna.strip(),
                    "message": first.message,
                    "station_id": first.station_id,
                },
                words={"said": first.descriptor.strip() or "no antenna at all"},
            )


def _antenna_and_radome(descriptor: str) -> tuple[str, ...]:
    words = descriptor.upper().split()
    return tuple(words) if len(words) != 1 else (words[0], "NONE")
