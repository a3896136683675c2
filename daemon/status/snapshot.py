"""How things stand: the running service's state, put together for who asks (`daemon.status.server`)."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Protocol

import msgspec
from witnesspost.daemon.status.server import AlertStatus, EpochStatus, FixStatus, LogStatus, PortStatus, Status
from witnesspost.rules.book.words import words
from witnesspost.rules.engine.open_alert import OpenAlert
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.site.model import Site

if TYPE_CHECKING:
    from witnesspost.daemon.service import Service
    from witnesspost.daemon.signals.patterns import State


class PostLike(Protocol):
    """What is asked of the post around the service."""

    site: Site
    problems: list[str]
    restarts: int | None
    temperature_c: float | None

    @property
    def showing(self) -> State:
        """What the panel says."""


def status_of(service: Service, t: float, post: PostLike, rates: list[float | None]) -> Status:
    """Everything at `t`; `rates` are the readers' bytes a second, in their order. To be called by the service's thread."""
    site, scene = post.site, service.pipeline.scene
    open_alerts = service.pipeline.open_alerts()
    utc = scene.utc_at(t)
    log = service.log.state()
    return Status(
        post=site.post.name,
        role=site.post.role,
        site=site.path,
        pid=os.getpid(),
        up_s=round(t, 1),
        utc=utc.isoformat(timespec="seconds").replace("+00:00", "Z") if utc else None,
        clock_source=_clock_source(scene, t),
        showing=post.showing,
        restarts=post.restarts,
        temperature_c=post.temperature_c,
        ports=[
            PortStatus(
                stream=reader.stream.name,
                port=reader.stream.port,
                state=reader.state,
                reason=reader.reason,
                read_bytes=reader.bytes_read,
                rate_bytes_per_s=None if rate is None else round(rate, 1),
            )
            for reader, rate in zip(service.readers, rates, strict=True)
        ],
        epochs=[
            EpochStatus(
                stream=stream,
                station_id=epoch.station_id,
                ago_s=round(t - epoch.t, 1),
                interval_s=scene.interval_s(stream),
                systems=epoch.systems,
                satellites=epoch.satellites,
            )
            for stream, epoch in scene.last_any_epoch.items()
        ],
        fix=_fix(scene, t),
        base_check=_base_check(site, scene, open_alerts),
        alerts=[_alert(alert, t) for alert in open_alerts],
        log=msgspec.convert(log, LogStatus, from_attributes=True),
        problems=list(post.problems),
    )


def _clock_source(scene: Scene, t: float) -> str:
    if scene.utc is None:
        return "none yet: no receiver has said the time"
    return f"receiver ({scene.utc.source}) on {scene.utc.stream}, {t - scene.utc.t:.0f} s ago"


def _fix(scene: Scene, t: float) -> FixStatus | None:
    fix = scene.fix
    if fix is None:
        return None
    return FixStatus(
        ago_s=round(t - fix.t, 1),
        quality=fix.quality,
        satellites=fix.satellites,
        hdop=fix.hdop,
        age_s=fix.age_s,
        station_id=fix.station_id,
    )


def _base_check(site: Site, scene: Scene, open_alerts: list[OpenAlert]) -> str:
    """The broadcast base against the project, in words."""
    for alert in open_alerts:
        if alert.rule in ("base-datum", "base-moved") and alert.active:
            return f"differs: {alert.cause}"
    if site.project is None or site.base.occupies is None:
        return "not possible: the site file names no control point under the base"
    if scene.station() is None:
        return "waits: the base has not said its position"
    return f"agrees with {site.base.occupies}"


def _alert(alert: OpenAlert, t: float) -> AlertStatus:
    return AlertStatus(
        rule=alert.rule,
        cause=alert.cause,
        severity=alert.severity,
        stream=alert.finding.stream,
        state=alert.change,
        for_s=round(t - (alert.raised_t or t), 1),
        because_of=alert.because_of,
        shelved=alert.shelved,
        say=words(alert.sentence).say,
    )
