"""Is the post ready for work: what holds, and what of it is missing, each in a few words."""

from __future__ import annotations

import datetime as dt
from typing import Any, NamedTuple

from msgspec import Struct
from witnesspost.daemon.lines import millimetres
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.gnss import FixQuality
from witnesspost.rules.site.model import Site

_RENEWED = {
    "silence": "the base came back",
    "position": "the base changed its position",
    "set-up": "the set-up",
}
_FIX_S = 5.0  # an older position says nothing of now


class CheckStatus(Struct, kw_only=True, frozen=True):
    """A check on a control point, `ago_s` before: observed minus known, metres. `utc` is None until the time is known. `by` has
    declared it; `again` where the check before has said the same of the same stand."""

    point: str
    passed: bool
    ago_s: float
    utc: str | None
    east_m: float
    north_m: float
    up_m: float
    by: str | None = None
    again: bool = False

    @property
    def millimetres(self) -> str:
        """East, north and up."""
        return millimetres(self.east_m, self.north_m, self.up_m)


class Readiness(NamedTuple):
    """What holds and what is missing."""

    holds: list[str]
    missing: list[str]


def check_of(found: tuple[float, dict[str, Any]], scene: Scene, t: float) -> CheckStatus:
    """The check that an event `control-check` told."""
    at, detail = found
    utc = scene.utc_at(at)
    return CheckStatus(
        point=detail["point"],
        passed=detail["passed"],
        ago_s=round(t - at, 1),
        utc=utc.isoformat(timespec="seconds") if utc is not None else None,
        east_m=detail["east_m"],
        north_m=detail["north_m"],
        up_m=detail["up_m"],
        by=detail["by"],
        again=detail["again"],
    )


def readiness(
    site: Site, scene: Scene, ports: dict[str, str], check: CheckStatus | None, t: float, *, noted: bool = False
) -> Readiness:
    """How ready the post is at `t`. `ports` is each stream's port's state; `noted` where the base's coordinate is right in plan
    and its height cannot be judged. What cannot be judged here is not asked for."""
    now = Readiness([], [])
    gone = [stream for stream, state in ports.items() if state not in ("open", "back")]
    _note(now, not gone, "ports open", f"port not open: {', '.join(gone)}")
    if scene.correction_streams:
        heard = [scene.last_epoch[s] for s in scene.last_epoch if scene.silent_for(s, t) <= scene.limit_s(s)]
        stations = ", ".join(str(number) for number in sorted({epoch.station_id for epoch in heard}))
        _note(now, bool(heard), f"corrections from {stations}", "no corrections")
        if (mark := _mark(site, scene)) is not None:
            _coordinate(now, mark, scene, noted=noted)
    if site.post.role == "rover" and scene.position_streams:
        fix = scene.fix
        fixed = fix is not None and fix.quality == FixQuality.RTK_FIXED and t - fix.t <= _FIX_S
        _note(now, fixed, "fixed", "not fixed")
        if site.project is not None and scene.base_kind != "moving":
            _check(now, check, site, scene, t)
    return now


def _note(now: Readiness, good: bool, holds: str, missing: str) -> None:
    if good:
        now.holds.append(holds)
    else:
        now.missing.append(missing)


def _mark(site: Site, scene: Scene) -> str | None:
    """The control point that the base stands on; None where nothing can be judged by it."""
    if scene.base_kind != "own" or site.project is None:
        return None
    station = scene.station()
    base = scene.base_of(station.station_id) if station is not None else site.base
    return base.occupies if base is not None else None


def base_is_judged(site: Site) -> bool:
    """False where the site file has switched off the rule that judges the base's coordinate."""
    return not site.rules.get("base-datum", {}).get("off", False)


def _coordinate(now: Readiness, mark: str, scene: Scene, *, noted: bool) -> None:
    agrees = scene.base_agrees()
    if agrees:
        now.holds.append(f"the base's coordinate agrees with {mark} ({millimetres(scene.agreement_m() or 0.0)})")
    elif scene.station() is None:
        now.missing.append("the base has not said its position")
    elif noted:
        now.holds.append(f"the base's coordinate agrees with {mark} in plan, its height is not judged")
    elif agrees is not None:
        now.missing.append(f"the base's coordinate is not that of {mark}")
    elif base_is_judged(scene.plan):
        now.missing.append("the base's coordinate is not judged yet")


def _check(now: Readiness, check: CheckStatus | None, site: Site, scene: Scene, t: float) -> None:
    renewed = scene.renewed
    if renewed is not None and (check is None or t - check.ago_s < renewed.t):
        clock = _local_clock(scene.utc_at(renewed.t), site)
        when = f" at {clock}" if clock else f" {(t - renewed.t) / 60:.0f} min ago"
        now.missing.append(f"no check-in since {_RENEWED[renewed.by]}{when}")
        return
    if check is None:
        now.missing.append("no check-in since the post started")
        return
    clock = _local_clock(dt.datetime.fromisoformat(check.utc) if check.utc is not None else None, site)
    when = f"at {clock}" if clock else f"{check.ago_s / 60:.0f} min ago"
    _note(
        now,
        check.passed,
        f"last check-in {check.point} {when} ({check.millimetres})",
        f"the last check-in did not pass: {check.point} {when} ({check.millimetres})",
    )


def _local_clock(utc: dt.datetime | None, site: Site) -> str | None:
    if utc is None:
        return None
    try:
        return f"{utc.astimezone(site.post.zone):%H:%M}"
    except OverflowError:
        return None
