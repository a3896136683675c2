"""A minute of a post in figures, from what its snapshot says each time that it is looked at."""

from __future__ import annotations

from collections import Counter
from typing import Any

from witnesspost.daemon.lines import QUALITY_WORDS
from witnesspost.daemon.status.snapshot import Status

MINUTE_S = 60.0
_FRESH_S = 5.0  # an older position says nothing of now


class Minute:
    """Gathers looks; `row` is given once a minute is full."""

    def __init__(self) -> None:
        self._from_s: float | None = None
        self._read: dict[str, int] = {}
        self._begin()

    def look(self, status: Status) -> dict[str, Any] | None:
        """One more look; the minute's row where it ends with this one."""
        row = None
        if self._from_s is None:
            self._from_s, self._read = status.up_s, _read(status)
        elif status.up_s - self._from_s >= MINUTE_S:
            row = self._row(status, status.up_s - self._from_s)
            self._from_s, self._read = status.up_s, _read(status)
            self._begin()
        fix = status.fix
        quality = fix.quality if fix is not None and fix.ago_s <= _FRESH_S else 0
        self._qualities[QUALITY_WORDS.get(quality, f"quality {quality}")] += 1
        if fix is not None and fix.ago_s <= _FRESH_S:
            self._ages += [fix.age_s] if fix.age_s is not None else []
            self._satellites += [fix.satellites] if fix.satellites is not None else []
        return row

    def _begin(self) -> None:
        self._qualities: Counter[str] = Counter()
        self._ages: list[float] = []
        self._satellites: list[int] = []

    def _row(self, status: Status, lasted_s: float) -> dict[str, Any]:
        looks = self._qualities.total()
        read = _read(status)
        return {
            "post": status.post,
            "utc": status.utc,
            "lasted_s": round(lasted_s, 1),
            "fix": {quality: round(count / looks, 3) for quality, count in self._qualities.items()},
            "age_s": round(sum(self._ages) / len(self._ages), 2) if self._ages else None,
            "oldest_s": max(self._ages, default=None),
            "satellites": min(self._satellites, default=None),
            "epochs": {epoch.stream: epoch.came_share for epoch in status.epochs},
            "bytes": {stream: size - self._read.get(stream, 0) for stream, size in read.items()},
            "temperature_c": status.temperature_c,
            "disk_free": status.log.disk_free_fraction,
            "lost_bytes": status.log.lost_bytes,
            "restarts": status.restarts,
        }


def _read(status: Status) -> dict[str, int]:
    return {port.stream: port.read_bytes for port in status.ports}
