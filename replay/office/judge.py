"""Points judged: a field file against a day's logs.

    field file ──► visits (by time, else by place) ──► difference, named ──► each visit: what the log saw ──► verdict ──► repair
                   matching                            comparison            evidence                         verdict    repair

Stations, check-ins, alerts, gaps and the clock come from the log's tables; epochs of an occupation and the pole's tilt from the
bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
from msgspec import Struct
from witnesspost.daemon.log.day import Day, PostLogs
from witnesspost.replay.office.base import Bases, Given, bases_of
from witnesspost.replay.office.check_ins import Check, checks_of
from witnesspost.replay.office.comparison import Comparison
from witnesspost.replay.office.difference import Difference
from witnesspost.replay.office.epochs import Epochs, read_epochs, rows_of
from witnesspost.replay.office.evidence import Evidence
from witnesspost.replay.office.field_frame import FieldFrame
from witnesspost.replay.office.field_points import FieldError, FieldFile, FieldPoint
from witnesspost.replay.office.matching import Matching
from witnesspost.replay.office.occupations import Occupation
from witnesspost.replay.office.plans import Poles
from witnesspost.replay.office.repair import repaired
from witnesspost.replay.office.track import Track
from witnesspost.replay.office.uncertainty import Uncertainty
from witnesspost.replay.office.verdict import Decided, Name, Seen, decide, together
from witnesspost.rules.coordinates import Enu
from witnesspost.rules.site.model import Site


class Judged(Struct, kw_only=True, gc=False):
    """One point of the file with its verdict. `new_` are the repaired numbers, in the file's own terms; None: not repaired.
    `vector_m` is what was added (east, north, up, metres)."""

    point: FieldPoint
    decided: Decided
    seen: Seen | None = None
    visits: int = 0
    new_first: float | None = None
    new_second: float | None = None
    new_height: float | None = None
    vector_m: Enu | None = None
    visit: Occupation | None = None
    by: str = ""
    proposed: Name | None = None

    @property
    def name(self) -> Name:
        """The verdict that stands."""
        return self.decided.name


class Judgement(Struct, kw_only=True):
    """All points of a file, and what they were judged by."""

    field: FieldFile
    frame: FieldFrame
    post: PostLogs
    points: list[Judged]
    difference: Difference
    bases: Bases
    checks: list[Check]
    epochs: Epochs
    evidence: Evidence
    sources: Sources
    notes: list[str] = []
    by_time: bool = True

    def count(self, name: Name) -> int:
        """How many points have that verdict."""
        return sum(point.name == name for point in self.points)

    def uncertainty(self, judged: Judged) -> tuple[Uncertainty, Uncertainty] | None:
        """Of a point as it is stored, and as it is once repaired; None where the log did not see it, or where it hangs on no
        coordinate that is known to be the project's. Computed when it is asked for: its parts are most of what 200,000 points
        would take."""
        seen = judged.seen
        if seen is None or judged.visit is None or seen.segment is None or not seen.own_station:
            return None
        return self.evidence.uncertainty(judged.point, seen, judged.visit)

    def source(self, judged: Judged) -> Source | None:
        """Where the epochs of a point stand; None where the log did not see it."""
        return self.sources.of(judged.visit) if judged.visit is not None else None


_READ = 0.5  # of the bar; judging has the rest


def judge(
    day: Day,
    field: FieldFile,
    frame: FieldFrame,
    site: Site,
    *,
    times: str = "local",
    given: Given | None = None,
    progress: Callable[[float], None] = lambda part: None,
) -> Judgement:
    """Judge every point of `field`. `times` is what times without an offset are: local, utc or gps. Raises FieldError,
    LogError, and DatumError where the project's datum gives no coordinate."""
    post = _rover_of(day)
    epochs = read_epochs(post, site, lambda part: progress(part * _READ))
    if not len(epochs):
        raise FieldError(f"{post.files[0].path}: holds no position; expected the log of the rover that stored the points")
    said = {int(one) for one in np.unique(epochs.station[~np.isnan(epochs.station)])}
    bases = bases_of(day, post, site, said, given)
    track = Track(epochs, frame)
    matching = Matching(field, frame, track, times=times, zone=post.zone)
    matches = matching.visits()
    comparison = Comparison(field, frame, site, track, matches, Poles(post, site))
    evidence = Evidence(post, site, track, bases, comparison)
    points = []
    for number, (point, visits) in enumerate(zip(field.points, matches, strict=True)):
        if visits:
            points.append(_judged(number, point, visits, epochs, comparison, evidence))
        else:
            points.append(Judged(point=point, decided=Decided(name="not-witnessed", reason=matching.why_not(number))))
        if number % 500 == 0:
            progress(_READ + (1 - _READ) * number / len(field.points))
    return Judgement(
        field=field, frame=frame, post=post, points=points, difference=comparison.difference, bases=bases,
        checks=checks_of(post), epochs=epochs, evidence=evidence, sources=Sources(post, epochs),
        notes=[*post.missing(), *matching.notes], by_time=field.has_times,
    )  # fmt: skip


def _rover_of(day: Day) -> PostLogs:
    """The one rover of a day. Raises FieldError where there is none, or several."""
    rovers = [post for post in day.posts if post.role == "rover"]
    if not rovers:
        raise FieldError(
            f"{', '.join(log.path.name for log in day.files)}: no rover's log among them; points hang on a rover's"
        )
    if len(rovers) > 1:
        raise FieldError(
            f"{', '.join(post.name for post in rovers)}: logs of {len(rovers)} rovers; name those of the file's own"
        )
    return rovers[0]


class Source(NamedTuple):
    """Of a point's epochs: the log's name, its last digest, and the first and last row of raw bytes."""

    log: str
    digest: str
    rows: tuple[int, int] | None


class Sources:
    """Where a point's epochs stand in the logs."""

    def __init__(self, post: PostLogs, epochs: Epochs):
        self._post, self._epochs = post, epochs
        self._names = [log.path.name for log in post.given]
        self._digests = [log.last_digest().hex() for log in post.given]
        self._rows = {(number, stream): rows_of(log, name) for number, log in enumerate(post.given)
                      for stream, name in enumerate(epochs.streams)}  # fmt: skip

    def of(self, visit: Occupation) -> Source:
        """Of the epochs of a visit."""
        e = self._epochs
        log = self._post.given_at(int(e.log[visit.first]), float(e.t[visit.first]))
        rows = self._rows[log, int(e.stream[visit.first])](float(e.t[visit.first]), float(e.t[visit.last]))
        return Source(self._names[log], self._digests[log], rows)


def _judged(
    number: int,
    point: FieldPoint,
    visits: Sequence[Occupation],
    epochs: Epochs,
    comparison: Comparison,
    evidence: Evidence,
) -> Judged:
    """A point that was visited: the verdict of all its visits, and the evidence of the one that it hangs on."""
    all_seen = [evidence.seen(number, point, visit) for visit in visits]
    decided = [decide(seen) for seen in all_seen]
    verdict = together(decided)
    chosen = next((index for index, one in enumerate(decided) if one is verdict), 0)
    seen, visit = all_seen[chosen], visits[chosen]
    judged = Judged(point=point, decided=verdict, seen=seen, visits=len(visits))
    judged.visit = visit
    if verdict.name == "repair":
        new = repaired(comparison, number, point, seen.segment, float(epochs.separation_m[visit.first]))
        judged.new_first, judged.new_second, judged.new_height, judged.vector_m = new
    return judged
