"""base-datum (stop): the base does not broadcast the coordinate that the project gives it.

When: the project's station sends an antenna reference point (1005/1006) that differs from the site file's control point
plus antenna height by over 0.05 m horizontally or vertically; raised with the first message that shows it. With heights
above the bundled geoid the vertical tolerance widens by that grid's stated error at the place, and the alert says so. A
foreign station is never judged; a project without a point that the base occupies keeps the rule silent.

At the rover without a station position: each time the position's quality changes, it jumps; from autonomous to fixed the jumps
add up to the base's error, within the few metres of a single-point position. Over 10 m that is no single-point error.
Where corrections come in on a line of this post, their station position is waited for, 60 s.

Causes: `rules.datum.hypotheses`, ranked by `rules.datum.explanation`; `unexplained` where nothing fits. Zeros and positions
inside the earth are judged like any other. Source: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from witnesspost.rules.book.coordinate_words import CAUSES
from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.datum.explanation import Noise
from witnesspost.rules.datum.geodesy import to_ecef
from witnesspost.rules.datum.verdict import Datum, causes_of, evidence_of, words_of
from witnesspost.rules.engine.rule import Delays, Finding, Rule
from witnesspost.rules.facts import Fact, Fix, Station
from witnesspost.rules.gnss import WGS84, FixQuality

_ON_THE_WAY = (FixQuality.AUTONOMOUS, FixQuality.DIFFERENTIAL, FixQuality.RTK_FLOAT, FixQuality.RTK_FIXED)
_LEAST_RADIUS_M = 6_300_000.0  # the polar radius is 6357 km, the deepest trench 11 km
_SINGLE_POINT = Noise(horizontal_m=3.0, up_m=5.0)  # of an autonomous position; common practice, no source
_STEP_S = 3.0  # two positions this close in time are one step: a walking rover moves a few metres


class BaseDatumFigures(Delays, kw_only=True):
    """Tolerances in metres; `jump_m` is the jump from autonomous to fixed that cannot be the rover's own error, and
    `jump_wait_s` how long a station position is waited for before the jump is judged.
    """

    horizontal_m: float = 0.05
    vertical_m: float = 0.05
    jump_m: float = 10.0
    jump_wait_s: float = 60.0


class BaseDatum(Rule[BaseDatumFigures]):
    """See the module."""

    name = "base-datum"
    severity = "stop"
    sees = (Station, Fix)
    causes = CAUSES
    Figures = BaseDatumFigures

    def begin(self) -> None:
        self._datum = Datum(self.site)
        self._station: Station | None = None
        self._judged: tuple[Ecef, float | None] | None = None
        self._finding: Finding | None = None
        self._jumps = _Jumps()

    def see(self, fact: Fact) -> None:
        """A station position, or at the rover a fix."""
        if not self._datum.has_base:
            return
        if isinstance(fact, Station) and self.scene.is_ours(fact.station_id):
            self._station = fact
            self.quiet_until = 0.0
        elif isinstance(fact, Fix) and self.site.post.role == "rover" and self._station is None:
            self._jumps.see(fact)
            if self._jumps.done is not None:
                self.quiet_until = 0.0

    def judge(self, t: float) -> Iterable[Finding]:
        """Judged anew when the coordinate changes, or the day that its frame is compared at."""
        if self._station is not None:
            self._judge_station(self._station, t)
        elif self._jumps.done is not None and t >= self._jumps.done.t + self._wait_s:
            self._judge_jump(self._jumps.done, t)
            self._jumps.done = None
        if self._finding is not None:
            return (self._finding,)
        if self._jumps.done is None or self._station is not None:
            self.quiet_until = math.inf
        return ()

    @property
    def _wait_s(self) -> float:
        return self.figures.jump_wait_s if self.scene.correction_streams else 0.0

    def _judge_station(self, station: Station, t: float) -> None:
        at = Ecef(station.x_m, station.y_m, station.z_m)
        known = self._judged is not None and self._judged[0] == at
        if known and self._finding is None:
            return
        utc = self.scene.utc_at(t)
        day = utc.timestamp() / 86400.0 if utc else None
        if self._judged is not None and known:
            then = self._judged[1]
            if day is None or (then is not None and abs(day - then) <= 1.0):
                return
        first, self._judged = self._judged is None, (at, day)
        expected = self._datum.expected
        offset = self._datum.offset(at, expected)
        vertical_m = self.figures.vertical_m + expected.height_error_m
        if math.hypot(offset[0], offset[1]) <= self.figures.horizontal_m and abs(offset[2]) <= vertical_m:
            self._finding = None
            if first:
                self._datum.prepare(expected, utc)
            return
        verdict = self._datum.why(offset, expected, utc, self.scene.fix)
        words = words_of(offset, expected, verdict, self.site)
        head = f"The base's position is {words['offset']}."
        if at == (0.0, 0.0, 0.0):
            head = "The base broadcasts no position: all zeros."
        elif math.hypot(*at) < _LEAST_RADIUS_M:
            head = "The base broadcasts a position inside the earth."
        self._finding = Finding(
            causes=causes_of(verdict),
            stream=station.stream,
            since=self._finding.since if self._finding and self._finding.key == "" else station.t,
            evidence={
                "station_id": station.station_id,
                "x_m": station.x_m,
                "y_m": station.y_m,
                "z_m": station.z_m,
                "antenna_height_sent_m": station.antenna_height_m,
                **evidence_of(offset, expected, verdict, self.figures.horizontal_m, vertical_m),
            },
            words={**words, "head": head},
        )

    def _judge_jump(self, jump: Jump, t: float) -> None:
        expected = self._datum.expected
        offset = self._datum.offset(jump.to, expected)
        start = self._datum.offset(jump.start, expected)
        east, north, up = (b - a for a, b in zip(start, offset, strict=True))
        if math.hypot(east, north) <= self.figures.jump_m and abs(up) <= self.figures.jump_m:
            self._finding = None
            return
        moved = Enu(east, north, up)
        verdict = self._datum.why(moved, expected, self.scene.utc_at(t), self.scene.fix, noise=_SINGLE_POINT, autonomous=False)
        words = words_of(moved, expected, verdict, self.site)
        self._finding = Finding(
            causes=causes_of(verdict),
            stream=jump.stream,
            key="jump",
            since=jump.t,
            evidence=evidence_of(moved, expected, verdict, self.figures.jump_m, self.figures.jump_m),
            words={**words, "head": f"With its fix the position jumped: {words['offset']}, within a few metres."},
        )


class Jump:
    """From the last autonomous position to the first fixed one, without the walking in between; geocentric metres."""

    def __init__(self, fix: Fix, start: Ecef, to: Ecef):
        self.t, self.stream = fix.t, fix.stream
        self.start, self.to = start, to


class _Jumps:
    """Adds up the steps at which the quality changes, from autonomous to fixed."""

    def __init__(self) -> None:
        self.done: Jump | None = None
        self._last: tuple[Fix, Ecef] | None = None
        self._sum: Ecef | None = None

    def see(self, fix: Fix) -> None:
        if fix.quality not in _ON_THE_WAY or fix.latitude is None or fix.longitude is None or fix.height_m is None:
            return
        if fix.quality != FixQuality.AUTONOMOUS and self._sum is None:
            return  # nothing to add up, and no need for PROJ
        at = to_ecef(fix.latitude, fix.longitude, fix.height_m + (fix.separation_m or 0.0), WGS84)
        last, self._last = self._last, (fix, at)
        if fix.quality == FixQuality.AUTONOMOUS or last is None or self._sum is None:
            self._sum = Ecef(0.0, 0.0, 0.0) if fix.quality == FixQuality.AUTONOMOUS else None
        elif last[0].quality != fix.quality:
            self._sum = _plus(self._sum, _minus(at, last[1])) if fix.t - last[0].t <= _STEP_S else None
            if fix.quality == FixQuality.RTK_FIXED and self._sum is not None:
                self.done = Jump(fix, _minus(at, self._sum), at)
                self._sum = None


def _plus(one: Ecef, two: Ecef) -> Ecef:
    return Ecef(one.x_m + two.x_m, one.y_m + two.y_m, one.z_m + two.z_m)


def _minus(one: Ecef, two: Ecef) -> Ecef:
    return Ecef(one.x_m - two.x_m, one.y_m - two.y_m, one.z_m - two.z_m)
