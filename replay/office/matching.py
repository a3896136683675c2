"""Which epochs of the log each stored point is: those of its time, else those of every visit to its place."""

from __future__ import annotations

import datetime as dt
import functools

import numpy as np
from witnesspost.replay.office.difference import FEWEST, agreeing
from witnesspost.replay.office.field_frame import FieldFrame
from witnesspost.replay.office.field_points import FieldError, FieldFile, FieldPoint
from witnesspost.replay.office.occupations import Occupation, Places, at_time, joined, nearest_gap_s
from witnesspost.replay.office.track import Track
from witnesspost.rules.gnss import GPS_MINUS_UTC_S

_FEW = 0.2  # of the points found by time, under which the times are in doubt where their places are the log's
_MOST = 0.5  # of the points found by time, under which other offsets of the times are tried
_OFFSETS_S = [900.0 * quarters for quarters in range(-56, 57)]  # time zones are whole quarters of an hour apart
_SOUGHT = 300  # points whose place is looked for when their times do not fit
_MANY = 5000  # points; past it nobody is told how far the nearest occupation of each lost one is
_HOURS_S = 7200.0  # past it seconds say nothing to a person


class Matching:
    """The points of `field` among the occupations of `track`. Times without an offset are `times`: local (in `zone`), utc or
    gps. `notes` are what the whole file's times have to be told about."""

    def __init__(self, field: FieldFile, frame: FieldFrame, track: Track, *, times: str, zone: dt.tzinfo):
        self.notes: list[str] = []
        self._field, self._track, self._times, self._zone = field, track, times, zone
        first = np.array([point.first for point in field.points])
        second = np.array([point.second for point in field.points])
        self._east_m, self._north_m = frame.plane(first, second)

    def visits(self) -> list[list[Occupation]]:
        """The visits to each point, in the file's order; none: the log was not there. Raises FieldError where the file is not
        of this log, or its times are read in the wrong way."""
        return self._by_time() if self._field.has_times else self._by_place()

    def why_not(self, number: int) -> str:
        """Why a point has no visit, in a sentence."""
        start = self._utc(self._field.points[number].start)
        if start is not None:
            gap_s = nearest_gap_s(self._track.epochs, start)
            if gap_s is None:
                return "No position."
            off = f"{gap_s:.0f} s" if gap_s < _HOURS_S else f"{gap_s / 3600.0:.0f} h"
            return f"No position in the log at its time; the nearest is {off} off."
        if len(self._field.points) > _MANY:
            return "The rover did not stand within 3 cm of it while the log ran."
        far_m = self._places.nearest_m(float(self._east_m[number]), float(self._north_m[number]))
        return f"The rover did not stand within 3 cm of it while the log ran; the nearest place is {far_m:.2f} m off."

    @functools.cached_property
    def _places(self) -> Places:
        return Places(self._track.occupations, self._track.east_m, self._track.north_m)

    def _by_time(self) -> list[list[Occupation]]:
        """The epochs of each point's own time. Raises FieldError where hardly any is in the log, and their places are."""
        epochs, found = self._track.epochs, self._track.occupations
        matches: list[list[Occupation]] = []
        for point in self._field.points:
            start, end = self._utc(point.start), self._utc(point.end)
            assert start is not None
            visit = at_time(epochs, start, end if end is None or end >= start else start, found)
            matches.append([visit] if visit is not None else [])
        hits = sum(bool(visits) for visits in matches)
        if hits < _FEW * len(matches):
            self._doubt_times()
        if hits < _MOST * len(matches):
            self._doubt_zone(found)
        return matches

    def _by_place(self) -> list[list[Occupation]]:
        """Every visit within 3 cm of each point. Raises FieldError where the log was nowhere near any."""
        matches = [self._visits_there(number) for number in range(len(self._field.points))]
        if not any(matches):
            some = range(0, len(matches), max(1, len(matches) // 50))
            far_m = [self._places.nearest_m(float(self._east_m[number]), float(self._north_m[number])) for number in some]
            nearest_m = min((m for m in far_m if m is not None), default=None)
            far = f"the nearest is {nearest_m:,.2f} m off" if nearest_m is not None else "it has no position"
            raise FieldError(
                f"{self._field.path}: none of its {len(matches)} points lies where the log's rover stood ({far}) in its frame; "
                "state the file's own --frame and --unit, or export it with times"
            )
        return matches

    def _visits_there(self, number: int) -> list[Occupation]:
        return joined(self._places.within(float(self._east_m[number]), float(self._north_m[number])), self._track.epochs)

    def _utc(self, said: dt.datetime | None) -> float | None:
        """UTC seconds of a time of the file."""
        if said is None:
            return None
        if said.tzinfo is None:
            said = said.replace(tzinfo=self._zone if self._times == "local" else dt.UTC)
        seconds = said.timestamp()
        return seconds - GPS_MINUS_UTC_S if self._times == "gps" else seconds

    def _doubt_times(self) -> None:
        """Say by how much the times are off, where the places say it."""
        points, epochs = self._field.points, self._track.epochs
        ahead: list[float] = []
        for number in range(0, len(points), max(1, len(points) // _SOUGHT)):
            visits = self._visits_there(number)
            start = self._utc(points[number].start)
            if len(visits) == 1 and start is not None:
                ahead.append(start - float(epochs.utc[visits[0].first]))
        span = f"{_text(epochs.utc[0])} to {_text(epochs.utc[-1])} UTC"
        first = self._utc(points[0].start)
        read = f"read as {self._times}, the first is {_text(first or 0.0)} UTC; the log's positions go from {span}"
        if len(ahead) >= 5:
            by_s = float(np.median(ahead))
            if float(np.median(np.abs(np.array(ahead) - by_s))) < 120.0:
                hours = round(by_s / 900.0) / 4.0
                if hours and hours % 24.0 == 0.0:
                    days = f"{abs(hours) / 24:.0f} day{'s' if abs(hours) > 24 else ''} {'after' if by_s > 0 else 'before'}"
                    raise FieldError(
                        f"{self._field.path}: its times are {days} the log's, and its places are the log's ({read}); name the "
                        "log of that day, or put the controller's date right in the file"
                    )
                raise FieldError(
                    f"{self._field.path}: its times are {abs(hours):g} h {'ahead of' if by_s > 0 else 'behind'} the log where "
                    f"its places are the log's ({read}); state --times local, utc or gps, or the site's time_zone"
                )
        if not any(map(self._is_within, points)):
            self.notes.append(f"No time of the file is within the log ({read}).")

    def _doubt_zone(self, found: list[Occupation]) -> None:
        """Say by how much the times are off, where another offset brings most points to one similarity with the log; a file
        on a ground scale or a calibration lies nowhere near the log's places. Raises FieldError."""
        points, track = self._field.points, self._track
        some = range(0, len(points), max(1, len(points) // _SOUGHT))
        spans = [(self._utc(points[number].start), self._utc(points[number].end)) for number in some]

        def together(by_s: float) -> int:
            visits = [
                (number, visit)
                for number, (start, end) in zip(some, spans, strict=True)
                if start is not None
                and (visit := at_time(track.epochs, start - by_s, None if end is None else max(start, end) - by_s, found))
            ]
            if len(visits) < max(2 * FEWEST, _MOST * len(some)):
                return 0
            numbers = [number for number, _ in visits]
            means = np.array([track.mean(visit)[:2] for _, visit in visits])
            return agreeing(self._east_m[numbers] + 1j * self._north_m[numbers], means[:, 0] + 1j * means[:, 1])

        most, _, by_s = max((together(one), -abs(one), one) for one in _OFFSETS_S)
        if by_s and most >= max(2 * FEWEST, _MOST * len(some)):
            off = f"{abs(by_s) / 3600.0:g} h {'ahead of' if by_s > 0 else 'behind'} the log"
            raise FieldError(f"{self._field.path}: its times, read as {self._times}, look {off}; {self._expected(by_s)}")

    def _expected(self, by_s: float) -> str:
        """What to state where times are ahead by so much."""
        said = next(point.start for point in self._field.points if point.start is not None)
        if said.tzinfo is None and self._times in ("utc", "local"):
            offset = said.replace(tzinfo=self._zone).utcoffset()
            ahead_s = offset.total_seconds() if offset is not None else 0.0
            if by_s == (ahead_s if self._times == "utc" else -ahead_s):
                return f"state --times {'local' if self._times == 'utc' else 'utc'}"
        return "state --times local, utc or gps, or the site's time_zone"

    def _is_within(self, point: FieldPoint) -> bool:
        epochs, start = self._track.epochs, self._utc(point.start)
        return start is not None and epochs.utc[0] <= start <= epochs.utc[-1]


def _text(utc: float) -> str:
    return f"{dt.datetime.fromtimestamp(float(utc), dt.UTC):%Y-%m-%d %H:%M:%S}"
