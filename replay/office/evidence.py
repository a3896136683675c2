"""What the log saw of a visit to a point, and how far the point may be out by it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from witnesspost.daemon.log.day import PostLogs
from witnesspost.replay.office import uncertainty as un
from witnesspost.replay.office.base import Bases, Segment, is_ours
from witnesspost.replay.office.comparison import Comparison
from witnesspost.replay.office.epochs import Epochs
from witnesspost.replay.office.field_points import FieldPoint
from witnesspost.replay.office.occupations import Occupation
from witnesspost.replay.office.track import Mean, Track
from witnesspost.replay.office.uncertainty import Uncertainty
from witnesspost.replay.office.verdict import Seen
from witnesspost.rules.datum.geodesy import to_ecef
from witnesspost.rules.gnss import FixQuality
from witnesspost.rules.site.model import Site

Array = NDArray[np.float64]

_LEAST_AGE_S, _INTERVALS = 5.0, 3.0  # of corrections, as `corrections-late` has them
_SAME_POLE_M = 0.05  # a height so near to what many share is another pole's


class Evidence:
    """Of a day: its epochs, the coordinates that its base was on, the alerts that stood, and the file beside them."""

    def __init__(self, post: PostLogs, site: Site, track: Track, bases: Bases, comparison: Comparison):
        self._site, self._track, self._bases, self._comparison = site, track, bases, comparison
        self._age_limit_s = age_limit_s(track.epochs)
        self._alerts = _alerts(post)
        self._zone = post.zone
        self._scatter = {segment.number: _scatter(segment) for segment in bases.segments}
        self._alone: dict[int | None, tuple[Segment | None, ...]] = {}
        self._compensates = site.tilt is not None and site.tilt.compensates

    def seen(self, number: int, point: FieldPoint, visit: Occupation) -> Seen:
        """All that the log says of one visit to the point, which is the file's `number`th."""
        e = self._track.epochs
        part = slice(visit.first, visit.last + 1)
        first_utc, last_utc = float(e.utc[visit.first]), float(e.utc[visit.last])
        epochs = visit.last + 1 - visit.first
        fixed = e.quality[part].tolist().count(FixQuality.RTK_FIXED)
        # Only a fixed epoch has how long it has been fixed.
        fixed_s = next((value for value in e.fixed_s[part].tolist() if value == value), None) if fixed else None
        stations = [int(station) for station in _known(e.station, part)]
        heard: set[int | None] = {*stations} if len(stations) == epochs else {*stations, None}
        segments: list[Segment | None] = []
        for station in heard:
            for utc in {first_utc, last_utc}:
                segment = self._bases.in_force(utc, station)
                if segment not in segments:
                    segments.append(segment)
        mean = self._comparison.mean(number, visit)
        east_m, north_m = self._comparison.on_log_plane(number)
        spread_m = self._spread_m(part, mean) if fixed == epochs else []
        leans, aligned, ages = (_known(column, part) for column in (e.tilt_deg, e.aligned, e.age_s))
        up_left_m = self._comparison.up_left_m(number, point, mean, first_utc)
        return Seen(
            first_utc=first_utc,
            last_utc=last_utc,
            epochs=epochs,
            fixed_share=fixed / epochs,
            fixed_s=fixed_s,
            age_s=max(ages, default=None),
            age_limit_s=self._age_limit_s,
            segments=self._hangs_on(segments),
            station=stations[-1] if stations else None,
            own_station=not self._bases.numbers_count or all(one is None or is_ours(self._site, one) for one in heard),
            lean_deg=_quantile(leans, 0.9),
            most_lean_deg=max(leans, default=math.nan),
            mean_lean_deg=sum(leans) / len(leans) if leans else math.nan,
            aligned=bool(min(aligned)) if aligned else None,
            needs_alignment=self._compensates,
            spread_m=_quantile(spread_m, 0.95) if spread_m else 0.0,
            plan_left_m=math.hypot(east_m - mean.east_m, north_m - mean.north_m),
            up_left_m=up_left_m,
            distance_m=self._distance_m(mean, segments[0] if len(segments) == 1 else None),
            doubts=(*self._frame_doubt(), *self._pole_doubt(up_left_m), *self._antenna_doubt(first_utc)),
            alerts=tuple(rule for rule, begins, ends in self._alerts if begins <= last_utc and first_utc <= ends),
            geoid_change=self._comparison.difference.geoid,
            zone=self._zone,
        )

    def _hangs_on(self, segments: list[Segment | None]) -> tuple[Segment | None, ...]:
        """As a tuple; most of 200,000 points hang on one of a few, and share it."""
        if len(segments) > 1:
            return tuple(segments)
        number = segments[0].number if segments[0] is not None else None
        return self._alone.setdefault(number, (segments[0],))

    def uncertainty(self, point: FieldPoint, seen: Seen, visit: Occupation) -> tuple[Uncertainty, Uncertainty]:
        """Of the point as it is stored, and as it is once repaired."""
        e, segment, frame = self._track.epochs, seen.segment, self._comparison.frame
        part = slice(visit.first, visit.last + 1)
        east_m, north_m, up_m = (_quantile(_known(each, part), 0.5) for each in (e.sigma_east_m, e.sigma_north_m, e.sigma_up_m))
        distance_m = seen.distance_m if math.isfinite(seen.distance_m) else 0.0
        scatter = self._scatter.get(segment.number) if segment is not None else None
        always = [
            un.rover(east_m, north_m, up_m, distance_m),
            un.centring(),
            un.geoid(distance_m, orthometric=frame.vertical == "geoid"),
            un.tilt(self._comparison.pole_m(point, seen.first_utc), seen.mean_lean_deg),
            un.Part("frame", un.PLAN * frame.accuracy_m, 0.0, "stated"),
        ]
        if scatter is not None:
            always.append(scatter)
        offset = segment.offset if segment is not None and segment.judged else None
        if segment is None or offset is None:
            return Uncertainty(tuple(always)), Uncertainty(tuple(always))
        wrong = un.Part("base coordinate", math.hypot(offset.east_m, offset.north_m), abs(offset.up_m), "measured")
        if segment.held:  # what the check-ins left is the base's, too
            return Uncertainty(tuple(always)), Uncertainty(tuple(always))
        before = Uncertainty((*always, wrong))
        if segment.standing != "wrong":
            return before, before
        repaired = [un.tilted_base(segment.wrong_m, distance_m)]
        if segment.u95_m:
            repaired.append(un.Part("base coordinate", segment.u95_m, segment.u95_m, "stated"))
        return before, Uncertainty((*always, *repaired))

    def _frame_doubt(self) -> list[str]:
        if not self._comparison.difference.plausible:
            return ["The file is in another frame than the one it is read in."]
        return []

    def _pole_doubt(self, up_left_m: float | None) -> list[str]:
        difference = self._comparison.difference
        if "other pole height" in difference.names and up_left_m is not None and abs(up_left_m) <= _SAME_POLE_M:
            return [f"Its height is {difference.up_m:+.3f} m from the log's, as many are: another pole height was typed."]
        return []

    def _antenna_doubt(self, utc: float) -> list[str]:
        if any(rule == "antenna-mismatch" and begins <= utc <= ends for rule, begins, ends in self._alerts):
            return ["The base's antenna or its height was not the one that was set up (antenna-mismatch)."]
        return []

    def _spread_m(self, part: slice, mean: Mean) -> list[float]:
        """How far each epoch is from the mean in plan."""
        easts_m, norths_m = self._track.east_m[part].tolist(), self._track.north_m[part].tolist()
        return [math.hypot(x - mean.east_m, y - mean.north_m) for x, y in zip(easts_m, norths_m, strict=True)]

    def _distance_m(self, mean: Mean, segment: Segment | None) -> float:
        ellipsoid = self._comparison.frame.project_frame.ellipsoid
        rover = to_ecef(mean.latitude, mean.longitude, mean.height_m, ellipsoid)
        return math.dist(rover, segment.arp) if segment is not None else math.nan


def _known(column: Array, part: slice) -> list[float]:
    """The values that were said. Plain numbers: most points have a handful of epochs, and there may be 200,000 of them."""
    return [value for value in column[part].tolist() if value == value]


def _quantile(values: Sequence[float], share: float) -> float:
    """The value that this share of them is below, linearly between two; NaN of none."""
    if not values:
        return math.nan
    ordered = sorted(values)
    rank = share * (len(ordered) - 1)
    low = int(rank)
    return ordered[low] + (rank - low) * (ordered[min(low + 1, len(ordered) - 1)] - ordered[low])


def age_limit_s(epochs: Epochs) -> float:
    """How old corrections may be: 5 s, or three of their usual intervals."""
    fixed = (epochs.quality == FixQuality.RTK_FIXED) & ~np.isnan(epochs.age_s)
    if not fixed.any():
        return _LEAST_AGE_S
    made = np.unique(np.round(epochs.utc[fixed] - epochs.age_s[fixed], 1))
    steps = np.diff(made)
    return max(_LEAST_AGE_S, _INTERVALS * float(np.median(steps[steps > 0.15]))) if (steps > 0.15).any() else _LEAST_AGE_S


def _alerts(post: PostLogs) -> list[tuple[str, float, float]]:
    """Stretches of alerts that are more than a note: rule, UTC from and to (of one that no end is known of, the run's)."""
    found = []
    for files in post.runs():
        since: dict[int, tuple[str, float]] = {}
        for log in files:
            for change in log.changes():
                utc = log.utc_at(change.t)
                if utc is None:
                    continue
                if change.change == "raised" and change.severity != "note":
                    since.setdefault(change.alert, (change.rule, utc.timestamp()))
                elif change.change in ("normal", "cleared") and change.alert in since:
                    found.append((*since.pop(change.alert), utc.timestamp()))
        ends = files[-1].utc_at(files[-1].span()[1])
        found += [(rule, begins, ends.timestamp() if ends is not None else math.inf) for rule, begins in since.values()]
    return sorted(found, key=lambda one: one[1])


def _scatter(segment: Segment) -> un.Part | None:
    """What the check-ins of a segment left, as 95 %: root mean square in plan and height of those that pass (as repaired)."""
    if segment.judged and segment.standing == "wrong":
        left = [left for _, left, ok in segment.repaired_checks if ok]
    else:
        left = [check.offset for check in segment.checks if check.passed]
    if len(left) < 2:
        return None
    plan = math.sqrt(sum(e * e + n * n for e, n, _ in left) / len(left) / 2.0)
    up = math.sqrt(sum(u * u for _, _, u in left) / len(left))
    return un.Part("check-ins", un.PLAN * plan, un.HEIGHT * up, "measured")
