"""What the logs say of a day: added up by the minute, and only what is new where the same log is asked again.

    fix, traffic ──sums a minute, from the last row that was read──► bands       (rowids grow as rows are written)
    alert, event, gaps ──as they stand──► bands and marks

A log is read while the service writes it; nothing is held open between two readings.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import msgspec
from msgspec.structs import replace
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.log.reading import LogFile, LoggedChange
from witnesspost.daemon.strip.strip import HOUR_S, AlertBand, CheckMark, FixBand, FixKind, GapBand, Level, Strip, TextMark
from witnesspost.rules.alert import GRAVITY, Sentence
from witnesspost.rules.facts import TRAFFIC_ROW_S
from witnesspost.rules.gnss import LEGACY_OBSERVATIONS, MSM, FixQuality

_MINUTE_S = 60.0
_SHORT_S = 3.0  # of a minute: a worse fix for less is not shown
_SHORTEST_GAP_S = 10.0
_WITH_WORDS = 3  # the first version of a log that kept what an alert's sentence needs
_TOUCHES_S = 90.0  # logs whose ends are nearer to each other are one
_OBSERVATIONS = ", ".join(str(number) for number in sorted({*MSM, *LEGACY_OBSERVATIONS}))
_FIXES = f"""SELECT CAST(t / {_MINUTE_S} AS INTEGER), quality, count(*), max(age_s), max(rowid) FROM fix
    WHERE rowid > ? AND t >= ? GROUP BY 1, 2"""
_TRAFFIC = f"""SELECT DISTINCT CAST(t / {TRAFFIC_ROW_S} AS INTEGER) FROM traffic
    WHERE rowid > ? AND t >= ? AND frames > bad AND CAST(message AS INTEGER) IN ({_OBSERVATIONS})"""
_SAID = ("acknowledge", "shelve", "planned", "setup", "solved")
_EVENTS = f"""SELECT t, kind, detail FROM event
    WHERE t >= ? AND kind IN ('control-check', {", ".join(f"'{kind}'" for kind in _SAID)}) ORDER BY n"""


class _Minute:
    """Fixes of a minute: how many of each kind, and the greatest age of corrections."""

    def __init__(self) -> None:
        self.count: dict[FixKind, int] = {}
        self.age_s: float | None = None

    def add(self, quality: int, count: int, age_s: float | None) -> None:
        kind = _kind(quality)
        self.count[kind] = self.count.get(kind, 0) + count
        if age_s is not None:
            self.age_s = max(age_s, self.age_s or 0.0)

    @property
    def worst(self) -> FixKind:
        """The worst that was had for longer than a moment."""
        least = sum(self.count.values()) * _SHORT_S / _MINUTE_S
        order: tuple[FixKind, ...] = ("none", "unfixed", "float", "fixed")
        return next(
            kind for kind in order if self.count.get(kind, 0) > least or self.count.get(kind, 0) == max(self.count.values())
        )


class _File:
    """What has been read of one log."""

    def __init__(self) -> None:
        self.minutes: dict[int, _Minute] = {}
        self.heard: set[int] = set()
        self._last_fix = self._last_traffic = 0

    def read(self, log: LogFile, from_t: float) -> None:
        """Add what is new."""
        for minute, quality, count, age_s, rowid in log.select(_FIXES, (self._last_fix, from_t)):
            self.minutes.setdefault(minute, _Minute()).add(quality, count, age_s)
            self._last_fix = max(self._last_fix, rowid)
        last = log.select("SELECT coalesce(max(rowid), 0) FROM traffic")[0][0]
        self.heard |= {at for (at,) in log.select(_TRAFFIC, (self._last_traffic, from_t))}
        self._last_traffic = last
        first = from_t / _MINUTE_S - 1
        for minute in [minute for minute in self.minutes if minute < first]:
            del self.minutes[minute]
        self.heard = {at for at in self.heard if at * TRAFFIC_ROW_S >= from_t - _MINUTE_S}


class _Part(NamedTuple):
    """One log's share of the day: at_s of the strip is t plus `shift_s`."""

    path: Path
    shift_s: float
    from_s: float
    to_s: float


class StripReader:
    """Reads the days of one post, again and again."""

    def __init__(self) -> None:
        self._files: dict[Path, _File] = {}

    def read(self, paths: list[Path], hours: int = 25) -> Strip:
        """The last `hours` full hours of these logs, oldest first, up to the end of the last. Raises a LogError."""
        if not paths:
            raise LogError("there is no log yet")
        with LogFile.open(paths[-1]) as last:
            begun_t, end_t = last.span()
            end = last.instant_at(end_t)
            zone, role = last.zone, last.run.role
            carrying = last.select("SELECT name FROM stream WHERE carries LIKE '%corrections%' ORDER BY rowid")
        if end is None:
            begin, until_s = None, hours * HOUR_S
        else:
            struck = end.utc.astimezone(zone).replace(minute=0, second=0, microsecond=0).astimezone(dt.UTC)
            begin = struck - dt.timedelta(hours=hours - 1)
            until_s = (end.utc - begin).total_seconds()
        found = _Parts()
        parts = [_Part(paths[-1], until_s - end_t, begun_t + until_s - end_t, until_s)]
        parts += self._earlier(paths[:-1], begin) if begin is not None else []
        self._files = {path: file for path, file in self._files.items() if path in {part.path for part in parts}}
        for part in sorted(parts, key=lambda one: one.from_s):
            self._read_part(part, found, role)
        return Strip(
            begin=begin,
            hours=hours,
            until_s=until_s,
            zone=zone,
            about=end is not None and end.about,
            has_fix=role == "rover",
            corrections_on=tuple(name for (name,) in carrying),
            fix=_joined(found.fix),
            age_s=found.age,
            corrections=_joined(found.corrections),
            alerts=found.alerts.bands(),
            checks=found.checks,
            said=found.said,
            gaps=found.gaps,
            off=_off(parts, until_s),
        )

    def _earlier(self, paths: list[Path], begin: dt.datetime) -> Iterator[_Part]:
        """The logs before that reach into the strip and say when they were."""
        for path in reversed(paths):
            try:
                with LogFile.open(path) as log:
                    begun_t, end_t = log.span()
                    end = log.utc_at(end_t)
            except LogError:
                continue
            if end is None:
                continue
            to_s = (end - begin).total_seconds()
            if to_s < 0:
                return
            yield _Part(path, to_s - end_t, begun_t + to_s - end_t, to_s)

    def _read_part(self, part: _Part, strip: _Parts, role: str) -> None:
        file = self._files.setdefault(part.path, _File())
        from_t = max(-part.shift_s, part.from_s - part.shift_s)
        try:
            with LogFile.open(part.path) as log:
                file.read(log, from_t)
                strip.add_events(log, part, from_t)
        except LogError:
            return
        if role == "rover":
            strip.add_fixes(file, part)
        strip.add_corrections(file, part)


class _Parts:
    """The day while it is put together."""

    def __init__(self) -> None:
        self.fix: list[FixBand] = []
        self.age: list[Level] = []
        self.corrections: list[Level] = []
        self.alerts = _Alerts()
        self.checks: list[CheckMark] = []
        self.said: list[TextMark] = []
        self.gaps: list[GapBand] = []

    def add_fixes(self, file: _File, part: _Part) -> None:
        for minute, found in sorted(file.minutes.items()):
            from_s = max(0.0, minute * _MINUTE_S + part.shift_s)
            to_s = min((minute + 1) * _MINUTE_S + part.shift_s, part.to_s)
            if to_s > from_s:
                self.fix.append(FixBand(from_s, to_s, found.worst))
                if found.age_s is not None:
                    self.age.append(Level(from_s, to_s, found.age_s))

    def add_corrections(self, file: _File, part: _Part) -> None:
        per_minute: dict[int, int] = {}
        for at in file.heard:
            minute = int(at * TRAFFIC_ROW_S // _MINUTE_S)
            per_minute[minute] = per_minute.get(minute, 0) + 1
        for minute, bins in sorted(per_minute.items()):
            from_s = max(0.0, minute * _MINUTE_S + part.shift_s, part.from_s)
            to_s = min((minute + 1) * _MINUTE_S + part.shift_s, part.to_s)
            if to_s > from_s:
                of = max(1, math.ceil((to_s - from_s) / TRAFFIC_ROW_S))
                self.corrections.append(Level(from_s, to_s, min(1.0, bins / of)))

    def add_events(self, log: LogFile, part: _Part, from_t: float) -> None:
        self.alerts.read(log, part)
        for t, kind, text in log.select(_EVENTS, (from_t,)):
            detail: dict[str, Any] = msgspec.json.decode(text)
            if kind == "control-check":
                if detail.get("again"):  # the same check-in: the mark that is drawn has said it
                    continue
                east, north, up = (float(detail[axis]) for axis in ("east_m", "north_m", "up_m"))
                self.checks.append(CheckMark(t + part.shift_s, str(detail["point"]), bool(detail["passed"]), east, north, up))
            else:
                self.said.append(TextMark(t + part.shift_s, kind, detail))
        for gap in log.gaps():
            from_s, to_s = gap.t + part.shift_s, gap.t + gap.seconds + part.shift_s
            if gap.seconds >= _SHORTEST_GAP_S and to_s > 0:
                self.gaps.append(GapBand(max(0.0, from_s), to_s, gap.stream, gap.why))


class _Alerts:
    """Alerts that were nobody's consequence, each time they were raised, in their last words, as grave as they became. One that
    stands at a file's end stands on in the next of the same run."""

    def __init__(self) -> None:
        self._ended_with: bytes | None = None
        self._open: dict[int, AlertBand] = {}
        self._over: list[AlertBand] = []

    def bands(self) -> list[AlertBand]:
        """All that reach into the strip, in the order of their beginning."""
        bands = sorted([*self._over, *self._open.values()], key=lambda band: band.from_s)
        return [replace(band, from_s=max(0.0, band.from_s)) for band in bands if band.to_s >= 0]

    def read(self, log: LogFile, part: _Part) -> None:
        """The next file."""
        changes, ends_with = log.changes(), log.last_digest()
        if not log.goes_on_from(self._ended_with):
            self._over += self._open.values()
            self._open = {}
        self._ended_with = ends_with
        for change in changes:
            at_s = change.t + part.shift_s
            before = self._open.get(change.alert)
            if change.change in ("raised", "cause") and change.because_of is None:
                severity = change.severity
                if before is not None and GRAVITY[before.severity] > GRAVITY[severity]:
                    severity = before.severity
                from_s = before.from_s if before is not None else at_s
                sentence = _sentence(change, log) if log.version >= _WITH_WORDS else None
                self._open[change.alert] = AlertBand(
                    from_s, part.to_s, severity, change.rule, change.cause, change.say, is_open=True, sentence=sentence
                )
            elif change.change in ("normal", "cleared") and before is not None:
                self._over.append(replace(self._open.pop(change.alert), to_s=at_s, is_open=False))
        self._open = {alert: replace(band, to_s=part.to_s) for alert, band in self._open.items()}


def _sentence(change: LoggedChange, log: LogFile) -> Sentence:
    return Sentence(
        rule=change.rule,
        cause=change.cause,
        stream=change.stream,
        role="base" if log.run.role == "base" else "rover",
        evidence=change.evidence,
        words=change.words,
    )


def _kind(quality: int) -> FixKind:
    if quality == FixQuality.RTK_FIXED:
        return "fixed"
    if quality == FixQuality.RTK_FLOAT:
        return "float"
    return "none" if quality == FixQuality.NONE else "unfixed"


_BandKind = TypeVar("_BandKind", FixBand, Level)


def _joined(bands: Iterable[_BandKind]) -> list[_BandKind]:
    """Bands that touch each other and differ in nothing else, as one."""
    joined: list[_BandKind] = []
    for band in bands:
        if joined and band.from_s - joined[-1].to_s < 1.0 and replace(joined[-1], from_s=band.from_s, to_s=band.to_s) == band:
            joined[-1] = replace(joined[-1], to_s=band.to_s)
        else:
            joined.append(band)
    return joined


def _off(parts: list[_Part], until_s: float) -> list[tuple[float, float]]:
    """The stretches of which no log says anything."""
    off: list[tuple[float, float]] = []
    at_s = 0.0
    for part in sorted(parts, key=lambda one: one.from_s):
        if part.from_s > at_s + _TOUCHES_S:
            off.append((at_s, min(part.from_s, until_s)))
        at_s = max(at_s, part.to_s)
    return off
