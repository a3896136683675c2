"""A log's minutes: what came in each, added up from the facts as they come."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import EventRow
from witnesspost.replay.office.archive.tables import MinuteRow
from witnesspost.rules.facts import Epoch, Fact, Fix, Traffic
from witnesspost.rules.gnss import FixQuality

_MINUTE_S = 60.0


class Minutes:
    """Adds facts up; `finish` gives the minutes of a file and begins anew."""

    def __init__(self) -> None:
        self._row: MinuteRow | None = None
        self._rows: dict[int, MinuteRow] = {}
        self._ages: dict[int, int] = {}
        self._see: dict[type[Fact], Callable[[MinuteRow, Any], None]] = {Fix: self._fix, Epoch: _epoch, Traffic: _traffic}

    def see(self, fact: Fact) -> None:
        """One fact of the streams."""
        see = self._see.get(type(fact))
        if see is not None:
            see(self._at(fact.t), fact)

    def finish(self, log: LogFile) -> list[MinuteRow]:
        """Every minute of `log`, those in which nothing came too, with what its post's health was by then."""
        begun_t, last_t = log.span()
        for number in range(int(begun_t // _MINUTE_S), int(last_t // _MINUTE_S) + 1):
            self._at(number * _MINUTE_S)
        rows = [self._rows[number] for number in sorted(self._rows)]
        for row in rows:
            if row.age_s is not None:
                row.age_s = round(row.age_s / self._ages[int(row.t // _MINUTE_S)], 3)
        _put_health(rows, log)
        self._row, self._rows, self._ages = None, {}, {}
        return rows

    def _at(self, t: float) -> MinuteRow:
        row = self._row
        if row is None or not 0.0 <= t - row.t < _MINUTE_S:
            number = int(t // _MINUTE_S)
            row = self._rows.get(number)
            if row is None:
                row = self._rows[number] = MinuteRow(t=number * _MINUTE_S)
            self._row = row
        return row

    def _fix(self, row: MinuteRow, fix: Fix) -> None:
        row.positions += 1
        match fix.quality:
            case FixQuality.RTK_FIXED:
                row.rtk_fixed += 1
            case FixQuality.RTK_FLOAT:
                row.rtk_float += 1
            case FixQuality.DIFFERENTIAL:
                row.differential += 1
            case FixQuality.AUTONOMOUS:
                row.autonomous += 1
        if fix.age_s is not None:
            number = int(row.t // _MINUTE_S)
            row.age_s = (row.age_s or 0.0) + fix.age_s  # a mean once the file is finished
            self._ages[number] = self._ages.get(number, 0) + 1
            row.age_most_s = fix.age_s if row.age_most_s is None else max(row.age_most_s, fix.age_s)
        if fix.satellites is not None:
            row.satellites = fix.satellites if row.satellites is None else min(row.satellites, fix.satellites)
        if fix.hdop is not None:
            row.hdop = fix.hdop if row.hdop is None else max(row.hdop, fix.hdop)


def _epoch(row: MinuteRow, epoch: Epoch) -> None:
    row.epochs += 1


def _traffic(row: MinuteRow, traffic: Traffic) -> None:
    row.bytes += traffic.size_bytes
    row.bad += traffic.bad_frames + traffic.bad_sentences


def _put_health(minutes: list[MinuteRow], log: LogFile) -> None:
    """What the post last said of itself, in each minute from then on."""
    said = log.rows(EventRow, "WHERE kind = 'health' AND input = 1 ORDER BY n")
    health: dict[str, Any] = {}
    following = next(said, None)
    for row in minutes:
        while following is not None and following.t < row.t + _MINUTE_S:
            told = log.detail(following, dict[str, Any])
            health |= {name: value for name, value in told.items() if value is not None}
            following = next(said, None)
        row.disk_free_share = health.get("disk_free_fraction")
        row.temperature_c = health.get("temperature_c")
        if "under_voltage" in health:
            row.under_voltage = int(health["under_voltage"])
