"""Points judged: a field file against a day's logs.

    field file ──► match (by time, else by place) ──► difference, named ──► each point: what the log saw ──► verdict ──► repair

Stations, check-ins, alerts, gaps and the clock come from the log's tables; epochs of an occupation and the pole's tilt from the
bytes.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray
from witnesspost.daemon.log.day import Day, PostLogs
from witnesspost.replay.office import uncertainty as un
from witnesspost.replay.office.base import Bases, Check, Given, Segment, bases_of, checks_of, is_ours, year_of
from witnesspost.replay.office.difference import Difference, Step, solve
from witnesspost.replay.office.epochs import Epochs, read_epochs, rows_of
from witnesspost.replay.office.field_file import FieldError, FieldFile, FieldPoint
from witnesspost.replay.office.field_frame import FieldFrame, separations
from witnesspost.replay.office.occupations import Occupation, Places, at_time, joined, nearest_gap_s, occupations
from witnesspost.replay.office.uncertainty import Uncertainty
from witnesspost.replay.office.verdict import Decided, Name, Seen, decide, together
from witnesspost.rules.coordinates import Ecef, Enu, Geodetic
from witnesspost.rules.datum.frames import Place
from witnesspost.rules.datum.geodesy import to_ecef, to_geodetic
from witnesspost.rules.datum.geoid import bundled_geoid
from witnesspost.rules.datum.shifts import frame_shifts
from witnesspost.rules.gnss import GPS_MINUS_UTC_S, FixQuality
from witnesspost.rules.site.model import Site

Array = NDArray[np.float64]
_LEAST_AGE_S, _INTERVALS = 5.0, 3.0  # of corrections, as `corrections-late` has them
_FEW = 0.2  # of the points found by time, under which the times are in doubt
_SOUGHT = 300  # points whose place is looked for when their times do not fit


class Judged(Struct, kw_only=True):
    """One point of the file with its verdict. `new_` are the repaired numbers, in the file's own terms; None: not repaired.
    `true_m` is the vector that was added (east, north, up, metres)."""

    point: FieldPoint
    decided: Decided
    seen: Seen | None = None
    visits: int = 0
    nearest: str = ""
    new_first: float | None = None
    new_second: float | None = None
    new_height: float | None = None
    vector_m: Enu | None = None
    before: Uncertainty | None = None
    after: Uncertainty | None = None
    log: str = ""
    digest: str = ""
    rows: tuple[int, int] | None = None
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
    notes: list[str] = []
    by_time: bool = True

    def count(self, name: Name) -> int:
        """How many points have that verdict."""
        return sum(point.name == name for point in self.points)


Progress = Callable[[str, float], None]


def judge(
    day: Day,
    field: FieldFile,
    frame: FieldFrame,
    site: Site,
    *,
    times: str = "local",
    given: Given | None = None,
    progress: Progress = lambda what, part: None,
) -> Judgement:
    """Judge every point of `field`. `times` is what times without an offset are: local, utc or gps. Raises FieldError,
    LogError, and DatumError where the project's datum gives no coordinate."""
    rovers = [post for post in day.posts if post.role == "rover"]
    if not rovers:
        raise FieldError(
            f"{', '.join(log.path.name for log in day.files)}: no rover's log among them; points hang on a rover's"
        )
    if len(rovers) > 1:
        raise FieldError(
            f"{', '.join(post.name for post in rovers)}: logs of {len(rovers)} rovers; name those of the file's own"
        )
    post = rovers[0]
    epochs = read_epochs(post, site, lambda part: progress("reading positions", part))
    if not len(epochs):
        raise FieldError(f"{post.files[0].path}: holds no position; expected the log of the rover that stored the points")
    said = {int(one) for one in np.unique(epochs.station[~np.isnan(epochs.station)])}
    bases = bases_of(day, post, site, said, given)
    east_m, north_m = frame.plane_of(epochs.latitude, epochs.longitude)
    found = occupations(epochs, east_m, north_m)
    progress("finding occupations", 1.0)
    matching = _Matching(field, frame, epochs, found, east_m, north_m, post, times)
    matches = matching.by_time() if field.has_times else matching.by_place()
    difference = _difference(field, frame, epochs, matches, east_m, north_m, site)
    _refuse_other_units(field, difference)
    judging = _Judging(field, frame, post, epochs, bases, checks_of(post), difference, site, east_m, north_m, given)
    points = []
    for number, (point, visits) in enumerate(zip(field.points, matches, strict=True)):
        points.append(judging.point(number, point, visits, matching))
        if number % 500 == 0:
            progress("judging points", number / len(field.points))
    return Judgement(
        field=field, frame=frame, post=post, points=points, difference=difference, bases=bases, checks=judging.checks,
        epochs=epochs, notes=[*post.missing(), *matching.notes], by_time=field.has_times,
    )  # fmt: skip


class _Matching:
    """Which epochs each point is."""

    def __init__(
        self,
        field: FieldFile,
        frame: FieldFrame,
        epochs: Epochs,
        found: list[Occupation],
        east_m: Array,
        north_m: Array,
        post: PostLogs,
        times: str,
    ):
        self.field, self.epochs, self.found, self.times = field, epochs, found, times
        self._east_m, self._north_m = east_m, north_m
        self._zone = post.zone
        self.notes: list[str] = []
        first = np.array([point.first for point in field.points])
        second = np.array([point.second for point in field.points])
        self.file_east_m, self.file_north_m = frame.plane(first, second)
        self._places: Places | None = None

    @property
    def places(self) -> Places:
        if self._places is None:
            self._places = Places(self.found, self._east_m, self._north_m)
        return self._places

    def by_time(self) -> list[list[Occupation]]:
        """The epochs of each point's own time. Raises FieldError where hardly any is in the log, and their places are."""
        matches: list[list[Occupation]] = []
        for point in self.field.points:
            start, end = self.utc(point.start), self.utc(point.end)
            assert start is not None
            one = at_time(self.epochs, start, end if end is None or end >= start else start, self.found)
            matches.append([one] if one is not None else [])
        hits = sum(bool(visits) for visits in matches)
        if hits < _FEW * len(matches):
            self._other_times()
        return matches

    def by_place(self) -> list[list[Occupation]]:
        """Every visit within 3 cm of each point. Raises FieldError where the log was nowhere near any."""
        matches = [
            joined(self.places.within(float(x), float(y)), self.epochs)
            for x, y in zip(self.file_east_m, self.file_north_m, strict=True)
        ]
        if not any(matches):
            some = range(0, len(matches), max(1, len(matches) // 50))
            nearest = min(
                (m for at in some if (m := self.places.nearest_m(float(self.file_east_m[at]), float(self.file_north_m[at])))
                 is not None),
                default=None,
            )  # fmt: skip
            far = f"the nearest is {nearest:,.2f} m off" if nearest is not None else "it has no position"
            raise FieldError(
                f"{self.field.path}: none of its {len(matches)} points lies where the log's rover stood ({far}) in its frame; "
                "state the file's own --frame and --unit, or export it with times"
            )
        return matches

    def utc(self, said: dt.datetime | None) -> float | None:
        """UTC seconds of a time of the file."""
        if said is None:
            return None
        if said.tzinfo is None:
            said = said.replace(tzinfo=self._zone if self.times == "local" else dt.UTC)
        seconds = said.timestamp()
        return seconds - GPS_MINUS_UTC_S if self.times == "gps" else seconds

    def _other_times(self) -> None:
        """Say by how much the times are off, where the places say it."""
        ahead: list[float] = []
        for at in range(0, len(self.field.points), max(1, len(self.field.points) // _SOUGHT)):
            visits = joined(self.places.within(float(self.file_east_m[at]), float(self.file_north_m[at])), self.epochs)
            start = self.utc(self.field.points[at].start)
            if len(visits) == 1 and start is not None:
                ahead.append(start - float(self.epochs.utc[visits[0].first]))
        span = f"{_text(self.epochs.utc[0])} to {_text(self.epochs.utc[-1])} UTC"
        first = self.utc(self.field.points[0].start)
        read = f"read as {self.times}, the first is {_text(first or 0.0)} UTC; the log's positions go from {span}"
        if len(ahead) >= 5:
            by_s = float(np.median(ahead))
            if float(np.median(np.abs(np.array(ahead) - by_s))) < 120.0:
                hours = round(by_s / 900.0) / 4.0
                raise FieldError(
                    f"{self.field.path}: its times are {abs(hours):g} h {'ahead of' if by_s > 0 else 'behind'} the log where "
                    f"its places are the log's ({read}); state --times local, utc or gps, or the site's time_zone"
                )
        if not any(map(self._is_within, self.field.points)):
            self.notes.append(f"No time of the file is within the log ({read}).")

    def _is_within(self, point: FieldPoint) -> bool:
        start = self.utc(point.start)
        return start is not None and self.epochs.utc[0] <= start <= self.epochs.utc[-1]


def _difference(
    field: FieldFile,
    frame: FieldFrame,
    epochs: Epochs,
    matches: Sequence[Sequence[Occupation]],
    east_m: Array,
    north_m: Array,
    site: Site,
) -> Difference:
    """What the file and the log differ by, of the points that have one visit."""
    which = [at for at, visits in enumerate(matches) if len(visits) == 1]
    if not which:
        return Difference(names={}, of=0)
    means = np.array([_mean(epochs, east_m, north_m, matches[at][0]) for at in which])
    first = np.array([field.points[at].first for at in which])
    second = np.array([field.points[at].second for at in which])
    file_east_m, file_north_m = frame.plane(first, second)
    latitude, longitude = means[:, 3], means[:, 4]
    pole_m = np.array([_pole_m(field.points[at], frame, site) for at in which])
    heights = np.array([_height_m(field.points[at], frame) for at in which])
    own = frame.separation(latitude, longitude)
    up_m = heights - (means[:, 2] - pole_m - own)
    models: dict[str, Array] = {}
    if frame.vertical == "geoid":
        for name, other in (
            ("the bundled EGM96", separations(bundled_geoid(), latitude, longitude)),
            ("the receiver's own geoid", means[:, 5]),
            ("no geoid (ellipsoidal heights)", np.zeros(len(which))),
            ("the project's geoid", frame.separation(latitude, longitude, project=True)),
        ):
            if not np.allclose(other, own, atol=0.005, equal_nan=True):
                models[name] = own - other
    file_m, log_m = file_east_m + 1j * file_north_m, means[:, 0] + 1j * means[:, 1]
    return solve(file_m, log_m, up_m, models=models, frames=_steps(frame, site, epochs), grid=frame.grid)


_FEET = {"ft": 1 / 0.3048, "us-ft": 3937 / 1200}  # 85 FR 62698


def _refuse_other_units(field: FieldFile, difference: Difference) -> None:
    """A scale that is the length of a foot is no calibration: the unit was not stated. Raises FieldError."""
    for unit, feet in _FEET.items():
        if abs(abs(difference.a) / feet - 1.0) < 1e-6 or abs(abs(difference.a) * feet - 1.0) < 1e-6:
            counts = "feet" if abs(difference.a) > 1 else "metres"
            raise FieldError(f"{field.path}: counts in {counts}; state --unit {unit if counts == 'feet' else 'm'}")


def _steps(frame: FieldFrame, site: Site, epochs: Epochs) -> list[Step]:
    """Where other frames in use there would put the file: the same place, told in another frame's numbers."""
    latitude, longitude = frame.middle
    at = to_ecef(latitude, longitude, 0.0, frame.project_frame.ellipsoid)
    place = Place(at, latitude, longitude)
    epoch = site.project.epoch if site.project else None
    try:
        shifts = frame_shifts(frame.project_frame, epoch, place, year_of(float(epochs.utc[0])))
    except Exception:  # a frame that nothing ties has no sisters to name
        return []
    here = frame.plane_of(np.array([latitude]), np.array([longitude]))
    steps = []
    for shift in shifts:
        other = to_geodetic(shift.ecef, frame.project_frame.ellipsoid)
        there = frame.plane_of(np.array([other.latitude]), np.array([other.longitude]))
        steps.append(Step(shift.name, float(there[0][0] - here[0][0]), float(there[1][0] - here[1][0])))
    return steps


class _Judging:
    """What the log saw of each point, and what follows."""

    def __init__(
        self,
        field: FieldFile,
        frame: FieldFrame,
        post: PostLogs,
        epochs: Epochs,
        bases: Bases,
        checks: list[Check],
        difference: Difference,
        site: Site,
        east_m: Array,
        north_m: Array,
        given: Given | None,
    ):
        self.field, self.frame, self.post, self.epochs, self.bases = field, frame, post, epochs, bases
        self.checks, self.difference, self.site, self.given = checks, difference, site, given
        self._east_m, self._north_m = east_m, north_m
        self._age_limit_s = _age_limit(epochs)
        self._rows = {(number, stream): rows_of(log, name) for number, log in enumerate(post.files)
                      for stream, name in enumerate(epochs.streams)}  # fmt: skip
        self._digests = [log.last_digest().hex() for log in post.files]
        self._alerts = _alerts(post)
        self._scatter = {segment.number: _scatter(segment) for segment in bases.segments}
        self._compensates = site.tilt is not None and site.tilt.compensates

    def point(self, number: int, point: FieldPoint, visits: Sequence[Occupation], matching: _Matching) -> Judged:
        if not visits:
            return Judged(point=point, decided=Decided(name="not-witnessed", reason=self._nowhere(number, point, matching)))
        seen = [self._seen(number, point, visit, matching) for visit in visits]
        decided = [decide(one) for one in seen]
        verdict = together(decided)
        chosen = next((at for at, one in enumerate(decided) if one is verdict), 0)
        visit = visits[chosen]
        log = int(self.epochs.log[visit.first])
        judged = Judged(
            point=point,
            decided=verdict,
            seen=seen[chosen],
            visits=len(visits),
            log=self.post.files[log].path.name,
            digest=self._digests[log],
            rows=self._rows[log, int(self.epochs.stream[visit.first])](
                float(self.epochs.t[visit.first]), float(self.epochs.t[visit.last])
            ),
        )
        self._uncertain(judged, visit)
        if verdict.name == "repair":
            self._repair(judged, number, matching)
        return judged

    def _seen(self, number: int, point: FieldPoint, visit: Occupation, matching: _Matching) -> Seen:
        e = self.epochs
        part = slice(visit.first, visit.last + 1)
        fixed = e.quality[part] == FixQuality.RTK_FIXED
        stations = e.station[part]
        known = stations[~np.isnan(stations)]
        station = int(known[-1]) if len(known) else None
        pairs = {(int(s) if not math.isnan(s) else None) for s in np.unique(stations)} or {None}
        segments: list[Segment | None] = []
        for one in pairs:
            for utc in {float(e.utc[visit.first]), float(e.utc[visit.last])}:
                segment = self.bases.in_force(utc, one)
                if segment not in segments:
                    segments.append(segment)
        own = not self.bases.numbers_count or all(one is None or is_ours(self.site, one) for one in pairs)
        means = _mean(e, self._east_m, self._north_m, visit)
        here = self._at_log(number, matching)
        spread = np.hypot(self._east_m[part] - means[0], self._north_m[part] - means[1])
        leans, aligned, ages = (_known(column, part) for column in (e.tilt_deg, e.aligned, e.age_s))
        segment = segments[0] if len(segments) == 1 else None
        doubts = []
        up_left = self._up_left(point, means)
        if "other pole height" in self.difference.names and up_left is not None and abs(up_left) <= 0.05:
            doubts.append(
                f"Its height is {self.difference.up_m:+.3f} m from the log's, as many are: another pole height was typed."
            )
        doubts += self._antenna_doubt(float(e.utc[visit.first]))
        fixed_s = e.fixed_s[part][fixed]
        return Seen(
            first_utc=float(e.utc[visit.first]),
            last_utc=float(e.utc[visit.last]),
            epochs=visit.last - visit.first + 1,
            fixed_share=float(fixed.mean()),
            fixed_s=float(fixed_s[0]) if len(fixed_s) else None,
            age_s=max(ages, default=None),
            age_limit_s=self._age_limit_s,
            segments=segments,
            station=station,
            own_station=own,
            lean_deg=_quantile(leans, 0.9),
            mean_lean_deg=sum(leans) / len(leans) if leans else math.nan,
            aligned=bool(min(aligned)) if aligned else None,
            needs_alignment=self._compensates,
            spread_m=_quantile(spread.tolist(), 0.95) if fixed.all() else 0.0,
            plan_left_m=math.hypot(here[0] - means[0], here[1] - means[1]),
            up_left_m=up_left,
            distance_m=self._distance(means, segment),
            doubts=doubts,
            alerts=[rule for rule, begins, ends in self._alerts if begins <= e.utc[visit.last] and e.utc[visit.first] <= ends],
            geoid_change=self.difference.geoid,
        )

    def _at_log(self, number: int, matching: _Matching) -> tuple[float, float]:
        """The file's point on the log's plane."""
        east, north = self.difference.to_log(
            matching.file_east_m[number : number + 1], matching.file_north_m[number : number + 1]
        )
        return float(east[0]), float(north[0])

    def _up_left(self, point: FieldPoint, means: Array) -> float | None:
        """What the file's height is more than the log's, once what is shared is taken off; None where it cannot be said."""
        if point.height is None:
            return None
        latitude, longitude = means[3:4], means[4:5]
        own = float(self.frame.separation(latitude, longitude)[0])
        if self.difference.geoid is not None:
            own = self._other_n(latitude, longitude, float(means[5]))
        pole = _pole_m(point, self.frame, self.site)
        left = _height_m(point, self.frame) - (float(means[2]) - pole - own) - self.difference.up_m
        return left if math.isfinite(left) else None

    def _other_n(self, latitude: Array, longitude: Array, receivers: float) -> float:
        """N of the model that the file's heights were made with."""
        name = self.difference.geoid or ""
        if name.startswith("no geoid"):
            return 0.0
        if name.startswith("the receiver's"):
            return receivers
        if name.startswith("the project's"):
            return float(self.frame.separation(latitude, longitude, project=True)[0])
        return float(separations(bundled_geoid(), latitude, longitude)[0])

    def _antenna_doubt(self, utc: float) -> list[str]:
        for rule, begins, ends in self._alerts:
            if rule == "antenna-mismatch" and begins <= utc <= ends:
                return ["The base's antenna or its height was not the one that was set up (antenna-mismatch)."]
        return []

    def _distance(self, means: Array, segment: Segment | None) -> float:
        at = to_ecef(float(means[3]), float(means[4]), float(means[2]), self.frame.project_frame.ellipsoid)
        return math.dist(at, segment.arp) if segment is not None else math.nan

    def _nowhere(self, number: int, point: FieldPoint, matching: _Matching) -> str:
        start = matching.utc(point.start)
        if start is not None:
            gap = nearest_gap_s(self.epochs, start)
            return f"No position in the log at its time; the nearest is {gap:.0f} s off." if gap is not None else "No position."
        if len(self.field.points) > 5000:
            return "The rover did not stand within 3 cm of it while the log ran."
        far = matching.places.nearest_m(float(matching.file_east_m[number]), float(matching.file_north_m[number]))
        return f"The rover did not stand within 3 cm of it while the log ran; the nearest place is {far:.2f} m off."

    def _uncertain(self, judged: Judged, visit: Occupation) -> None:
        seen, part = judged.seen, slice(visit.first, visit.last + 1)
        assert seen is not None
        e, segment = self.epochs, seen.segment
        sigmas = [_quantile(_known(column, part), 0.5) for column in (e.sigma_east_m, e.sigma_north_m, e.sigma_up_m)]
        distance_m = seen.distance_m if math.isfinite(seen.distance_m) else 0.0
        scatter = self._scatter.get(segment.number) if segment is not None else None
        always = [
            un.rover(sigmas[0], sigmas[1], sigmas[2], distance_m),
            un.centring(),
            un.geoid(distance_m, orthometric=self.frame.vertical == "geoid"),
            un.tilt(_pole_m(judged.point, self.frame, self.site), seen.mean_lean_deg),
            un.Part("frame", un.PLAN * self.frame.accuracy_m, 0.0, "stated"),
        ]
        if scatter is not None:
            always.append(scatter)
        offset = segment.offset if segment is not None and segment.judged else None
        if offset is None:
            judged.before = judged.after = Uncertainty(tuple(always))
            return
        wrong = un.Part("base coordinate", math.hypot(offset.east_m, offset.north_m), abs(offset.up_m), "measured")
        judged.before = Uncertainty((*always, wrong))
        if segment is not None and not segment.right:
            mended = [un.tilted_base(segment.wrong_m, distance_m)]
            if segment.u95_m:
                mended.append(un.Part("base coordinate", segment.u95_m, segment.u95_m, "stated"))
            judged.after = Uncertainty((*always, *mended))
        else:
            judged.after = judged.before

    def _repair(self, judged: Judged, number: int, matching: _Matching) -> None:
        """New numbers: the stored point, in the project's terms, moved by the base's vector, and back into the file's."""
        seen, point, frame = judged.seen, judged.point, self.frame
        assert seen is not None
        segment = seen.segment
        east, north = self._at_log(number, matching)
        latitude, longitude = frame.degrees_of(np.array([east]), np.array([north]))
        ellipsoid = frame.project_frame.ellipsoid
        own = self._n_of_file(latitude, longitude, seen)
        height_m = _height_m(point, frame) if point.height is not None else 0.0
        stored = Geodetic(float(latitude[0]), float(longitude[0]), height_m - self.difference.up_m + own)
        at = to_ecef(*stored, ellipsoid)
        vector = segment.vector if segment is not None and not segment.right else Ecef(0.0, 0.0, 0.0)
        moved = Ecef(*(a + b for a, b in zip(at, vector, strict=True)))
        true = to_geodetic(moved, ellipsoid)
        here, there = np.array([true.latitude]), np.array([true.longitude])
        new_east, new_north = self.difference.to_file(*frame.plane_of(here, there))
        first, second = frame.numbers(new_east, new_north)
        judged.new_first, judged.new_second = float(first[0]), float(second[0])
        if point.height is not None:
            new_height_m = true.height_m - float(frame.separation(here, there)[0])
            judged.new_height = new_height_m / frame.height_unit_m
        old_east, old_north = frame.plane(np.array([point.first]), np.array([point.second]))
        new_east, new_north = frame.plane(first, second)
        up = (judged.new_height - point.height) * frame.height_unit_m if judged.new_height is not None and point.height else 0.0
        judged.vector_m = Enu(float(new_east[0] - old_east[0]), float(new_north[0] - old_north[0]), up)

    def _n_of_file(self, latitude: Array, longitude: Array, seen: Seen) -> float:
        if self.difference.geoid is None:
            return float(self.frame.separation(latitude, longitude)[0])
        index = int(np.searchsorted(self.epochs.utc, seen.first_utc))
        return self._other_n(latitude, longitude, float(self.epochs.separation_m[min(index, len(self.epochs) - 1)]))


def _known(column: Array, part: slice) -> list[float]:
    """The values that were said. Plain numbers: most points have a handful of epochs, and there may be 200,000 of them."""
    return [value for value in column[part].tolist() if value == value]


def _quantile(values: list[float], share: float) -> float:
    """The value that this share of them is below, linearly between two; NaN of none."""
    if not values:
        return math.nan
    ordered = sorted(values)
    at = share * (len(ordered) - 1)
    low = int(at)
    return ordered[low] + (at - low) * (ordered[min(low + 1, len(ordered) - 1)] - ordered[low])


def _mean(epochs: Epochs, east_m: Array, north_m: Array, visit: Occupation) -> Array:
    """East, north (plane), ellipsoidal height, latitude, longitude and separation of a visit: means of its epochs."""
    part = slice(visit.first, visit.last + 1)
    if visit.last == visit.first:
        at = visit.first
        return np.array([east_m[at], north_m[at], epochs.height_m[at], epochs.latitude[at], epochs.longitude[at],
                         epochs.separation_m[at]])  # fmt: skip
    return np.array([float(np.mean(column[part])) for column in (
        east_m, north_m, epochs.height_m, epochs.latitude, epochs.longitude, epochs.separation_m)])  # fmt: skip


def _pole_m(point: FieldPoint, frame: FieldFrame, site: Site) -> float:
    """The pole that the file says, else the site file's."""
    return site.rover.pole_height_m if point.pole is None else point.pole * frame.height_unit_m


def _height_m(point: FieldPoint, frame: FieldFrame) -> float:
    return math.nan if point.height is None else point.height * frame.height_unit_m


def _age_limit(epochs: Epochs) -> float:
    """What corrections may be old: 5 s, or three of their usual intervals."""
    fixed = (epochs.quality == FixQuality.RTK_FIXED) & ~np.isnan(epochs.age_s)
    if not fixed.any():
        return _LEAST_AGE_S
    of = np.unique(np.round(epochs.utc[fixed] - epochs.age_s[fixed], 1))
    steps = np.diff(of)
    return max(_LEAST_AGE_S, _INTERVALS * float(np.median(steps[steps > 0.15]))) if (steps > 0.15).any() else _LEAST_AGE_S


def _alerts(post: PostLogs) -> list[tuple[str, float, float]]:
    """Stretches of alerts that are more than a note: rule, UTC from and to (infinity: to the end)."""
    found = []
    for log in post.files:
        since: dict[int, tuple[str, float]] = {}
        for change in log.changes():
            utc = log.utc_at(change.t)
            if utc is None:
                continue
            if change.change == "raised" and change.severity != "note":
                since.setdefault(change.alert, (change.rule, utc.timestamp()))
            elif change.change in ("normal", "cleared") and change.alert in since:
                found.append((*since.pop(change.alert), utc.timestamp()))
        found += [(rule, begins, math.inf) for rule, begins in since.values()]
    return sorted(found, key=lambda one: one[1])


def _scatter(segment: Segment) -> un.Part | None:
    """What the check-ins of a segment left, as 95 %: root mean square in plan and height of those that pass (as repaired)."""
    if segment.judged and not segment.right:
        left = [left for _, left, ok in segment.repaired_checks if ok]
    else:
        left = [check.offset for check in segment.checks if check.passed]
    if len(left) < 2:
        return None
    plan = math.sqrt(sum(e * e + n * n for e, n, _ in left) / len(left) / 2.0)
    up = math.sqrt(sum(u * u for _, _, u in left) / len(left))
    return un.Part("check-ins", un.PLAN * plan, un.HEIGHT * up, "measured")


def _text(utc: float) -> str:
    return f"{dt.datetime.fromtimestamp(float(utc), dt.UTC):%Y-%m-%d %H:%M:%S}"
