"""How the post itself is: disk, temperature, supply, read-only file system, restarts. Read from the kernel's own files."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Protocol

import msgspec
from witnesspost.daemon.companion import PostView
from witnesspost.rules.alert import Change
from witnesspost.rules.facts import Health

EVERY_S = 10.0

# What must change for a fact to be worth its place in the log: absolute for shares and degrees, relative for hours.
_STEPS = {"disk_free_fraction": 0.01, "disk_left_h": 0.10, "temperature_c": 2.0}


class DiskLike(Protocol):
    """What is asked of the log's state (see `daemon.log.log.LogState`)."""

    @property
    def failed(self) -> str | None:
        """Why nothing can be written now."""

    @property
    def lost_bytes(self) -> int:
        """Bytes that had to be dropped."""

    @property
    def disk_free_fraction(self) -> float | None:
        """Free share of the disk."""

    @property
    def disk_left_h(self) -> float | None:
        """Hours to a full disk at the present rate."""


class HealthTeller:
    """The companion `health`: tells the rules how the post is, every EVERY_S seconds, if there is any news."""

    name = "health"
    vital = False

    def __init__(self, log_folder: Path, restarts: int | None = None, system: Path = Path("/sys")):
        self._where = log_folder, restarts, system
        self._read_at = 0.0

    def start(self, post: PostView) -> None:
        """Find what this machine says of itself."""
        self._post = post
        self._reader = HealthReader(*self._where)

    def see(self, changes: list[Change]) -> None:
        """Nothing to do with it."""

    def turn(self, t: float) -> None:
        """Read, and tell."""
        if t < self._read_at:
            return
        self._read_at = t + EVERY_S
        pulse = self._post.pulse()
        if (news := self._reader.news(t, pulse.log, pulse.lost_bytes)) is not None:
            self._post.tell(news)

    def stop(self) -> None:
        """Nothing to let go of."""


class HealthReader:
    """Reads the post's health; `system` is where the kernel's /sys is, `log_folder` where the logs are."""

    def __init__(self, log_folder: Path, restarts: int | None = None, system: Path = Path("/sys")):
        self._log_folder = log_folder
        self._restarts = restarts
        self._zones = sorted(system.glob("class/thermal/thermal_zone*/temp"))
        self._supply_alarms = sorted(system.glob("class/hwmon/hwmon*/in*_lcrit_alarm"))
        self._told: Health | None = None

    def read(self, t: float, log: DiskLike, inbox_lost_bytes: int = 0) -> Health:
        """Everything that is known at `t`; what this machine does not say is None.

        Under-voltage is the hwmon class's in*_lcrit_alarm (kernel
        documentation, hwmon/sysfs-interface: "Voltage critical low alarm"), as small boards' supply monitors set it.
        """
        alarms = [value != 0 for path in self._supply_alarms if (value := _number(path)) is not None]
        return Health(
            t=t,
            stream="",
            disk_free_fraction=log.disk_free_fraction,
            disk_left_h=log.disk_left_h,
            temperature_c=self.temperature_c(),
            under_voltage=any(alarms) if alarms else None,
            read_only=_read_only(self._log_folder),
            lost_bytes=log.lost_bytes + inbox_lost_bytes,
            restarts=self._restarts,
            log_failed=log.failed is not None,
        )

    def temperature_c(self) -> float | None:
        """The hottest thermal zone."""
        return max((value / 1000.0 for path in self._zones if (value := _number(path)) is not None), default=None)

    def news(self, t: float, log: DiskLike, inbox_lost_bytes: int = 0) -> Health | None:
        """What is known, if it differs from what was last given here by enough to matter."""
        now = self.read(t, log, inbox_lost_bytes)
        if self._told is not None and not _differs(self._told, now):
            return None
        self._told = msgspec.structs.replace(now)
        return now


def count_start(path: Path) -> int | None:
    """Count one more start in the file at `path`; the number of those before it, None where it cannot be kept.

    The file lies in a folder that the system empties at power-on, so these are the restarts since then.
    """
    try:
        with open(os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o666), "r+") as file:
            before = int(file.read() or 0)
            file.seek(0)
            file.truncate()
            file.write(str(before + 1))
    except (OSError, ValueError):
        return None
    return before


def _differs(told: Health, now: Health) -> bool:
    for name in Health.__struct_fields__:
        was, value = getattr(told, name), getattr(now, name)
        if name in ("t", "stream") or was == value:
            continue
        if was is None or value is None or name not in _STEPS:
            return True
        step = _STEPS[name] * (abs(was) if name == "disk_left_h" else 1.0)
        if abs(value - was) >= step:
            return True
    return False


def _number(path: Path) -> int | None:
    try:
        return int(path.read_text())
    except (OSError, ValueError):
        return None


def _read_only(folder: Path) -> bool | None:
    """True if the file system of `folder` is mounted read-only; of the nearest folder above that exists."""
    for here in (folder, *folder.parents):
        try:
            return bool(os.statvfs(here).f_flag & os.ST_RDONLY)
        except FileNotFoundError:
            continue
        except OSError:
            return None
    return None
