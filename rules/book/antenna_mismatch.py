"""antenna-mismatch (check): the base says that it has another antenna, or another antenna height, than the site file does.

When: the descriptor in 1007, 1008 or 1033 of one of the project's own bases is not that base's `antenna`; at once, for as long
as any of the three says so. Compared are the antenna's name and its radome as the IGS writes them (rcvr_ant.tab, from memory):
capitals and the number of blanks do not matter, a missing radome is NONE. A wrong antenna is a wrong phase centre: centimetres.

Or: the antenna height that a 1006 says (over 0) is over 5 mm from the site file's. A crew sets up anew each morning, so that is
a note: the mark under the day's height is what `base-datum` judges. Where a person has told today's set-up, the height is
compared with that one, and a check: two people have measured, or typed, two heights.

A height that is the expected one in another unit, to the millimetre that is typed, is a stop: every point is metres off (a
check, where the base's coordinate agrees with the project all the same). One over 4 m where a lower one is expected is a check:
no tripod is that high, though masts and pillars are.

Causes: `descriptor-differs`, `height-differs`, `height-not-as-set-up`, `feet-as-metres`, `metres-as-feet`,
`height-over-tripods`. Source: the descriptors' form is the IGS's
(rcvr_ant.tab); the rule is common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.facts import Antenna, Fact, SetUp, Station
from witnesspost.rules.language.names import called
from witnesspost.rules.site.antenna import FOOT_M, WRONG_UNIT, height_doubt
from witnesspost.rules.site.model import Base, Severity

_TYPED = "Which antenna height is typed at the base, and in which unit? Expected: {expected_m} m."
_NOTE_IT = "Before you correct it at the base: note the time and the old height."
_CHECK_HEIGHT = "Then check in on a control point, its height too."
_UNIT_STEPS = (
    ("Store no points until this is over.", _TYPED, _NOTE_IT, _CHECK_HEIGHT),
    ("Tell the crew: store no points until this is over.", _TYPED, _NOTE_IT, "Then let a rover check in on a control point."),
)


class AntennaMismatchFigures(Delays, kw_only=True):
    """`height_m` is how far the day's antenna height may be from the site file's, metres."""

    height_m: float = 0.005


class AntennaMismatch(Rule[AntennaMismatchFigures]):
    """Compares what the project's own bases say of their antenna with what the site file says."""

    name = "antenna-mismatch"
    severity = "check"
    absence_explains = False
    sees = (Antenna, Station, SetUp)
    causes = {
        "descriptor-differs": Advice(
            "The base says that its antenna is {said}; the site file says {expected}.",
            (
                "Read the type off the antenna itself.",
                "Correct it at the base or in the site file, whichever is wrong; note the time and the old type first.",
                "Tell the office: heights stored so far may be wrong by centimetres.",
            ),
        ),
        "height-differs": Advice(
            "The base says that its antenna is {height_m} m above the mark; the site file has {expected_m} m.",
            (
                "Was the base set up anew today? Then {height_m} m is today's height: measure it once more, and write it down.",
                "If not, measure the antenna height. Before you correct it: note the time and the old height.",
            ),
        ),
        "height-not-as-set-up": Advice(
            "The base says that its antenna is {height_m} m above the mark; today's set-up says {expected_m} m.",
            (
                "Measure the antenna height once more, from the mark to the antenna reference point.",
                "Is {height_m} m the slant, or another day's height? Then note the time, and correct it at the base.",
                "Is {expected_m} m wrong? Then tell the set-up again with the right height.",
            ),
        ),
        "feet-as-metres": Advice(
            "The base says that its antenna is {height_m} m above the mark: that is {expected_m} m in feet. "
            "Every point may be {off_m} m too high.",
            *_UNIT_STEPS,
        ),
        "metres-as-feet": Advice(
            "The base says that its antenna is {height_m} m above the mark: that is {expected_m} m, taken for feet. "
            "Every point may be {off_m} m too low.",
            *_UNIT_STEPS,
        ),
        "height-over-tripods": Advice(
            "The base says that its antenna is {height_m} m above the mark, where {expected_m} m is expected. "
            "No tripod is that high.",
            (
                "Which antenna height is typed at the base, and in which unit? {height_m} ft are {in_feet_m} m.",
                "Is the antenna on a mast or a pillar? "
                "Then tell its height: page Today, or `witnesspost setup --antenna-height`.",
                _NOTE_IT,
                _CHECK_HEIGHT,
            ),
        ),
    }
    Figures = AntennaMismatchFigures

    def begin(self) -> None:
        self._descriptors: dict[int, Antenna] = {}  # by message, where another than the site file's
        self._heights: dict[int, tuple[Station, Base]] = {}  # by station, likewise

    def see(self, fact: Fact) -> bool | None:
        """What a base of the project's own says of its antenna; or a set-up, by which all that was said is compared anew."""
        if isinstance(fact, SetUp):
            said = self.scene.antennas
            self._descriptors = {message: one for message, one in self._descriptors.items() if one.station_id in said}
            self._heights.clear()
            for station in self.scene.stations.values():
                self.see(station)
        if not isinstance(fact, Antenna | Station):
            return None
        base = self.scene.base_of(fact.station_id)
        if base is None or base.kind != "own":
            return True
        if isinstance(fact, Antenna):
            self._see_descriptor(fact, _antenna_and_radome(base.antenna))
        elif base.occupies is not None or base.antenna_height_m > 0:
            self._see_height(fact, base)
        return not (self._descriptors or self._heights)

    def due(self) -> float:
        """At once while something differs; else only a message can change that."""
        return 0.0 if self._descriptors or self._heights else math.inf

    def judge(self, t: float) -> Iterable[Finding]:
        """One finding for the descriptors, one for each station's height."""
        ours = [antenna for antenna in self._descriptors.values() if self.scene.is_ours(antenna.station_id)]
        different = [antenna for antenna in ours if not self._is_shared(antenna.station_id, t)]
        if different:
            yield self._descriptor_finding(min(different, key=lambda antenna: antenna.t))
        for station, base in self._heights.values():
            if not self._is_shared(station.station_id, t):
                yield self._height_finding(station, base)

    def _is_shared(self, station_id: int, t: float) -> bool:
        """True while two senders have this number: whose antenna is it?"""
        return self.scene.senders.shared(station_id, t) is not None

    def _see_descriptor(self, fact: Antenna, wanted: tuple[str, ...]) -> None:
        if not wanted or _antenna_and_radome(fact.descriptor) == wanted:
            self._descriptors.pop(fact.message, None)
            return
        before = self._descriptors.get(fact.message)
        if before is None or before.station_id != fact.station_id:
            self._descriptors[fact.message] = fact

    def _see_height(self, fact: Station, base: Base) -> None:
        said = fact.antenna_height_m
        if not said:  # 1005 says none, and 0 is a base that does not know it
            return
        if abs(said - base.antenna_height_m) <= self.figures.height_m:
            self._heights.pop(fact.station_id, None)
            return
        before = self._heights.get(fact.station_id)
        if before is None or before[0].antenna_height_m != said:
            self._heights[fact.station_id] = fact, base

    def _height_finding(self, station: Station, base: Base) -> Finding:
        set_up = self.scene.today is not None and base is self.site.base
        said_m, expected_m = station.antenna_height_m or 0.0, base.antenna_height_m
        cause: str = "height-not-as-set-up" if set_up else "height-differs"
        severity: Severity = "check" if set_up else "note"
        words: dict[str, str] = {}
        doubt = height_doubt(said_m, expected_m)
        if doubt is not None:
            cause = doubt
            at_once = doubt in WRONG_UNIT and self.scene.base_agrees() is not True
            severity = "stop" if at_once else "check"
            words = {"off_m": f"{abs(said_m - expected_m):.3f}", "in_feet_m": f"{said_m * FOOT_M:.3f}"}
        return Finding(
            causes=[Cause(cause=cause)],
            stream=station.stream,
            key=f"height of {station.station_id}",
            severity=severity,
            since=station.t,
            evidence={"station_id": station.station_id, "height_m": round(said_m, 4), "expected_m": expected_m},
            words=words,
        )

    def _descriptor_finding(self, first: Antenna) -> Finding:
        base = self.scene.base_of(first.station_id)
        descriptor = first.descriptor.strip()
        return Finding(
            causes=[Cause(cause="descriptor-differs")],
            stream=first.stream,
            since=first.t,
            evidence={
                "broadcast": descriptor or None,
                "expected": base.antenna.strip() if base is not None else None,
                "message": first.message,
                "station_id": first.station_id,
            },
            words={"said": called(descriptor) if descriptor else "no antenna at all"},
        )


def _antenna_and_radome(descriptor: str) -> tuple[str, ...]:
    words = descriptor.upper().split()
    return tuple(words) if len(words) != 1 else (words[0], "NONE")
