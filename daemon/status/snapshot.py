"""How things stand, for whoever asks: one struct, made by the loop's thread and never changed again.

    loop ──snapshot_of──► Status ──► the status socket, the page, the broker

No thread here, and nothing that reads a clock, a file or a port.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from typing import Any

from msgspec import Struct
from witnesspost.daemon.state import WORDS, State
from witnesspost.daemon.status.ready import CheckStatus, base_is_judged, check_of, readiness
from witnesspost.daemon.status.told import (
    CheckInStatus,
    OfficeStatus,
    PausedStatus,
    SetUpStatus,
    ShelvedStatus,
    check_in_status,
    paused_status,
    set_up_status,
    shelved_status,
)
from witnesspost.rules.alert import Sentence
from witnesspost.rules.book.words import held_words, solved_words, steps_of, words
from witnesspost.rules.engine.engine import utc_text
from witnesspost.rules.engine.open_alert import OpenAlert
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.engine.tally import Tally
from witnesspost.rules.facts import Health, Shelve
from witnesspost.rules.site.model import Role, Site


class PortStatus(Struct, kw_only=True, frozen=True):
    """One stream: its port's state ("opening" before the first attempt has ended), its bytes and its rate over ten seconds."""

    stream: str
    port: str
    state: str
    reason: str
    read_bytes: int
    rate_bytes_per_s: float | None


class EpochStatus(Struct, kw_only=True, frozen=True):
    """The last correction epoch on a line: whose, how long ago, how often they come, and with what in it; `came_share` of the
    last ones that were due came."""

    stream: str
    station_id: int
    ago_s: float
    interval_s: float | None
    systems: str
    satellites: int
    came_share: float | None = None


class FixStatus(Struct, kw_only=True, frozen=True):
    """The receiver's last position report; `quality` is GGA's, `age_s` the age of the corrections that it used."""

    ago_s: float
    quality: int
    satellites: int | None
    hdop: float | None
    age_s: float | None
    station_id: int | None


class AlertStatus(Struct, kw_only=True, frozen=True):
    """An open alert: its state as its last change left it, and for how long it has been raised.

    `state` is "normal" where it is over and nobody has seen it. `since_utc` is when it was raised (where it is over: when
    that was), None while no receiver has said the time; `say` and `steps` are of this moment. `held` is why it is open
    although its condition has ended, in words. `of_run` is the log of an earlier run that left it over and unseen. `number` is
    the alert's in this run. `seen_by`, `seen_note` and `seen_utc` say who has seen it and when; `hints` has for each step how
    often it has solved such an alert here, empty where it never has. `silent_left_s` is for how long a person has silenced it.
    """

    number: int

    rule: str
    cause: str
    severity: str
    stream: str
    state: str
    for_s: float
    since_utc: str | None
    because_of: str | None
    shelved: bool
    say: str
    steps: list[str]
    held: str | None = None
    of_run: str | None = None
    seen_by: str | None = None
    seen_note: str | None = None
    seen_utc: str | None = None
    hints: list[str] = []
    evidence: dict[str, Any] = {}
    words: dict[str, str] = {}
    silent_left_s: float | None = None

    def sentence(self, role: Role) -> Sentence:
        """What it says, for words in another language than English."""
        return Sentence(
            rule=self.rule, cause=self.cause, stream=self.stream, role=role, evidence=self.evidence, words=self.words
        )


class SolvedStatus(Struct, kw_only=True, frozen=True):
    """How often people have said of a step that it solved an alert of this rule and cause, and how often of any of its steps.
    `step` is its text in the book, its figures not filled in."""

    rule: str
    cause: str
    step: str
    times: int
    of: int


class LogStatus(Struct, kw_only=True, frozen=True):
    """The log's file and what it cost so far; `failed` says why nothing can be written now."""

    path: str | None
    failed: str | None
    size_bytes: int
    raw_bytes: int
    waiting_bytes: int
    lost_bytes: int
    disk_free_fraction: float | None
    disk_left_h: float | None


class Status(Struct, kw_only=True, frozen=True):
    """The whole post at `up_s` seconds after its start; `problems` is what companions have said of themselves for good.
    `ready` is what holds of all that work needs, `missing` what does not; `check` is the run's last one on a control point.
    `check_in` is the last one that a person has declared. `stood` are the rules that have raised an alert in this run.
    `distance_km` is from the rover to the base. `latitude` and `longitude` are where the post is, by the receiver's last
    position or else, to about 10 m, by the base's. `office` is None where the site file names none."""

    post: str
    role: Role
    site: str
    pid: int
    up_s: float
    utc: str | None
    clock_source: str
    state: str
    time_zone: str | None
    language: str = "en"
    restarts: int | None
    temperature_c: float | None
    ports: list[PortStatus]
    epochs: list[EpochStatus]
    fix: FixStatus | None
    base_check: str
    ready: list[str]
    missing: list[str]
    check: CheckStatus | None = None
    set_up: SetUpStatus
    check_in: CheckInStatus | None = None
    paused: PausedStatus | None = None
    shelved: list[ShelvedStatus] = []
    alerts: list[AlertStatus]
    solved: list[SolvedStatus] = []
    stood: list[str] = []
    log: LogStatus
    problems: list[str]
    distance_km: float | None = None
    latitude: float | None = None
    longitude: float | None = None
    office: OfficeStatus | None = None


def snapshot_of(
    site: Site,
    scene: Scene,
    open_alerts: list[OpenAlert],
    t: float,
    *,
    shown: State,
    ports: tuple[PortStatus, ...],
    log: LogStatus,
    health: Health | None,
    problems: list[str],
    check: tuple[float, dict[str, Any]] | None = None,
    shelved: dict[str, Shelve] | None = None,
    office: OfficeStatus | None = None,
    stood: Iterable[str] = (),
) -> Status:
    """Everything at `t`. `site` is the site file's; `open_alerts` are worst first; `health` is what the post last told of
    itself; `shelved` is which rules a person has silenced; `office` is how its link is."""
    utc = scene.utc_at(t)
    checked = check_of(check, scene, t) if check is not None else None
    solved = [_solved(scene.solved, *said) for said in scene.solved]
    place = scene.place() or (None, None)
    states = {port.stream: port.state for port in ports}
    ready = readiness(scene.site, scene, states, checked, t, noted=_noted(open_alerts))
    return Status(
        post=site.post.name,
        role=site.post.role,
        site=site.path,
        pid=os.getpid(),
        up_s=round(t, 1),
        utc=utc.isoformat(timespec="seconds").replace("+00:00", "Z") if utc else None,
        clock_source=_clock_source(scene, t),
        state=WORDS.get(shown, shown),
        time_zone=site.post.time_zone,
        language=site.post.language,
        restarts=health.restarts if health else None,
        temperature_c=health.temperature_c if health else None,
        ports=list(ports),
        epochs=_epochs(scene, t),
        fix=_fix(scene, t),
        base_check=_base_check(scene.site, scene, open_alerts),
        ready=ready.holds,
        missing=ready.missing,
        check=checked,
        set_up=set_up_status(scene),
        check_in=check_in_status(scene, t),
        paused=paused_status(scene, t),
        shelved=shelved_status(shelved or {}, t),
        alerts=[_alert(alert, solved, scene, t, (shelved or {}).get(alert.rule)) for alert in open_alerts],
        solved=solved,
        stood=sorted(stood),
        log=log,
        problems=problems,
        distance_km=_rounded(scene.distance_km(), 3),
        latitude=place[0],
        longitude=place[1],
        office=office,
    )


def hints_of(solved: Iterable[SolvedStatus], rule: str, cause: str, role: Role) -> list[str]:
    """What beside each step of this cause says how often it has helped here; empty where it never has."""
    found = {one.step: solved_words(one.times, one.of) for one in solved if (one.rule, one.cause) == (rule, cause)}
    return [found.get(step, "") for step in steps_of(rule, cause, role)]


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _clock_source(scene: Scene, t: float) -> str:
    if scene.utc is None:
        return "none yet: no receiver has said the time"
    return f"receiver ({scene.utc.source}) on {scene.utc.stream}, {t - scene.utc.t:.0f} s ago"


def _epochs(scene: Scene, t: float) -> list[EpochStatus]:
    return [
        EpochStatus(
            stream=stream,
            station_id=epoch.station_id,
            ago_s=round(t - epoch.t, 1),
            interval_s=scene.usual_interval_s(stream),
            systems=epoch.systems,
            satellites=epoch.satellites,
            came_share=_rounded(scene.came_share(stream, t), 3),
        )
        for stream, epoch in scene.last_any_epoch.items()
    ]


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
        if alert.rule in ("base-datum", "base-moved") and alert.active and not _noted([alert]):
            return f"differs from {site.base.occupies}" if alert.rule == "base-datum" else "its position has changed"
    if site.project is None or site.base.occupies is None:
        return "not possible: the site file names no control point under the base"
    if scene.station() is None:
        return "waits: the base has not said its position"
    if _noted(open_alerts):
        return f"agrees with {site.base.occupies} in plan; its height cannot be judged without the project's geoid file"
    agrees = scene.base_agrees()
    if agrees is None:
        return "not judged yet" if base_is_judged(scene.plan) else "not judged: the rule that judges it is off"
    return f"agrees with {site.base.occupies}" if agrees else f"differs from {site.base.occupies}"


def _noted(open_alerts: list[OpenAlert]) -> bool:
    """The base's coordinate is right in plan, and its height cannot be judged."""
    return any(alert.rule == "base-datum" and alert.active and alert.finding.severity == "note" for alert in open_alerts)


def _alert(alert: OpenAlert, solved: list[SolvedStatus], scene: Scene, t: float, shelve: Shelve | None) -> AlertStatus:
    said = words(alert.sentence)
    began_t = alert.raised_t if alert.active or alert.gone_since is None else alert.gone_since
    began_t = t if began_t is None else began_t
    began = scene.utc_at(began_t)
    since_utc = utc_text(began) if began is not None else None
    if alert.of_run is not None:
        since_utc = alert.finding.evidence.get("over_utc")
    seen = alert.seen
    seen_utc = scene.utc_at(seen.t) if seen is not None else None
    return AlertStatus(
        number=alert.number,
        rule=alert.rule,
        cause=alert.cause,
        severity=alert.severity,
        stream=alert.finding.stream,
        state=alert.change,
        for_s=round(t - began_t, 1),
        since_utc=since_utc,
        because_of=alert.because_of,
        shelved=alert.shelved,
        say=said.say,
        steps=said.steps,
        held=_held(alert, t),
        of_run=alert.of_run,
        seen_by=seen.by if seen is not None else None,
        seen_note=seen.note if seen is not None else None,
        seen_utc=utc_text(seen_utc) if seen_utc is not None else None,
        hints=hints_of(solved, alert.rule, alert.cause, alert.role),
        evidence=alert.evidence,
        words=alert.finding.words,
        silent_left_s=round(shelve.t + shelve.for_s - t, 1) if shelve is not None and alert.shelved else None,
    )


def _held(alert: OpenAlert, t: float) -> str | None:
    """Why it is open although its condition has ended: it chatters, or its end has not lasted yet."""
    if (held := alert.held(t)) is not None:
        return held_words(held)
    return f"good again for {t - alert.gone_since:.0f} s" if alert.active and alert.gone_since is not None else None


def _solved(tally: Tally, rule: str, cause: str, step: str) -> SolvedStatus:
    times, of = tally.of(rule, cause, step)
    return SolvedStatus(rule=rule, cause=cause, step=step, times=times, of=of)
