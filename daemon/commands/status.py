"""`witnesspost status [SITE]`: what the running post knows, in a screenful or as JSON."""

from __future__ import annotations

import datetime as dt
import os
import zoneinfo
from pathlib import Path

import click
import msgspec
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.clock import system_utc
from witnesspost.daemon.commands.running import nobody_runs, sockets_of
from witnesspost.daemon.host.places import run_folders
from witnesspost.daemon.lines import QUALITY_WORDS, ROWS, hinted, ready_words, seen_words, span
from witnesspost.daemon.local_time import Instant, Stamps
from witnesspost.daemon.screen import PLAIN, Entry, Look, entry_text
from witnesspost.daemon.status.ready import CheckStatus
from witnesspost.daemon.status.server import NoAnswer, NobodyThere, ask, sockets
from witnesspost.daemon.status.snapshot import AlertStatus, EpochStatus, Status
from witnesspost.daemon.status.told import CheckInStatus
from witnesspost.rules.book.words import words
from witnesspost.rules.gnss import CONSTELLATIONS
from witnesspost.rules.language.speech import ENGLISH, Speech
from witnesspost.rules.site.salvage import salvage


@click.command()
@click.argument("site", metavar="[SITE]", required=False)
@click.option("--post", metavar="NAME", help="The post's name, instead of SITE.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object for each post.")
def status(site: str | None, post: str | None, as_json: bool) -> None:
    """Ask the running post how things are. SITE is a site file or a post's name; without it, every post here is asked."""
    if site is not None and post is not None:
        raise Unusable(f"--post: {site} names a post already; expected one of the two")
    name = post if site is None else _post(site)
    found = sockets(run_folders()) if name is None else sockets_of(name)
    if not found:
        raise Unusable(nobody_runs(name))
    look = Look.of_output()
    failed: list[NoAnswer] = []
    for path in found:
        try:
            said = ask(path)
        except NoAnswer as error:
            failed.append(error)
            continue
        click.echo(msgspec.json.encode(said) if as_json else screenful(said, look, system_utc()))
    if len(failed) < len(found):  # a socket that a killed post left behind does not matter where another post answers
        failed = [error for error in failed if not isinstance(error, NobodyThere)]
    if failed:
        raise Unusable("\n".join(map(str, failed)))


def _post(site: str) -> str:
    """The name of the post that a site file's path, or the name itself, means."""
    if os.path.isfile(site):
        from witnesspost.rules.book.contents import FIGURES

        return salvage(site, FIGURES).post.name
    if site.endswith(".toml") or "/" in site:
        what = "is not a file" if os.path.exists(site) else "there is no such file"
        raise Unusable(f"{site}: {what}; name a site file, or a post by its post.name")
    return site


def screenful(said: Status, look: Look = PLAIN, system: dt.datetime | None = None) -> str:
    """The status as a person reads it: the state, what is wrong and what to do, what stands beside it, then the plumbing.

    `system` is the system clock's UTC of this moment, for a post that has heard no receiver say the time.
    """
    now = Instant(dt.datetime.fromisoformat(said.utc)) if said.utc else Instant(system, about=True) if system else None
    speech = speech_of(said)

    def instant_at(t: float) -> Instant | None:
        return now and Instant(now.utc + dt.timedelta(seconds=t - said.up_s), now.about)

    stamps = Stamps(_zone(said), instant_at, speech.phrase)
    state = speech.phrase(said.state.upper())
    lines = look.wrapped(f"{state}  {said.post} ({said.role}), {stamps(said.up_s)}", hanging="  ")
    lines[0] = look.word(said.state.upper(), state) + lines[0].removeprefix(state)
    for alert in _roots_first(said.alerts):
        lines.append(entry_text(_entry(alert, stamps, said, speech), look))
    if not said.alerts:
        lines.append(speech.phrase("No alerts."))
    lines.append("")
    rows = [(speech.text(ROWS, "ready"), ready_words("yes", "not yet", said.ready, said.missing, speech.phrase))]
    for name, text in _plumbing(said, speech):
        kind, _, stream = name.partition(" ")
        rows.append((f"{speech.text(ROWS, kind)} {stream}".rstrip(), speech.phrase(text)))
    wide = max(len(name) for name, _ in rows)
    for name, text in rows:
        narrow = look.width is not None and look.width < 80
        hanging = "    " if narrow else " " * (wide + 2)
        lines += look.wrapped(f"{name}: {text}" if narrow else f"{name:<{wide}}  {text}", hanging=hanging)
    return "\n".join(lines)


def _roots_first(alerts: list[AlertStatus]) -> list[AlertStatus]:
    """Each alert followed by those that it explains."""
    roots = [alert for alert in alerts if alert.because_of is None]
    ordered: list[AlertStatus] = []
    for root in roots:
        ordered += [root, *(one for one in alerts if one.because_of == root.rule and one not in ordered)]
    return ordered + [one for one in alerts if one not in ordered]


def _entry(alert: AlertStatus, stamps: Stamps, status: Status, speech: Speech) -> Entry:
    say, steps = (alert.say, alert.steps) if speech is ENGLISH else words(alert.sentence(status.role), speech)
    phrase = speech.phrase
    over = alert.state == "normal"
    quiet = over or alert.because_of is not None
    because = f"{phrase(f'Along with {alert.because_of}:')} " if alert.because_of else ""
    word = "over" if over else alert.severity if quiet else alert.severity.upper()
    return Entry(
        word=word,
        shown=phrase(word),
        clock=stamps(status.up_s - alert.for_s, alert.since_utc),
        text=f"{because}{say} {phrase(_state(alert, stamps))} ({alert.rule}: {alert.cause})",
        steps=[] if quiet else hinted(steps, [phrase(hint) for hint in alert.hints]),
        depth=1 if alert.because_of else 0,
    )


def _state(alert: AlertStatus, stamps: Stamps) -> str:
    if alert.state == "normal" and alert.because_of is not None:
        return "Over."
    if alert.state == "normal":
        return f"Over, and nobody has seen it ({alert.of_run})." if alert.of_run else "Over, and nobody has seen it."
    words = [f"Raised {span(alert.for_s)} ago"]
    if alert.state == "acknowledged":
        when = f" at {stamps(0.0, alert.seen_utc)}" if alert.seen_utc else ""
        words.append(f"seen{seen_words({'seen_by': alert.seen_by, 'seen_note': alert.seen_note})}{when}")
    if alert.shelved:
        words.append("silent" if alert.silent_left_s is None else f"silent for {span(alert.silent_left_s)} more")
    words += [alert.held] if alert.held else []
    return f"{', '.join(words)}."


def speech_of(said: Status) -> Speech:
    """The post's language; English where this version has no catalogue of it."""
    return Speech.known(said.language)


def _zone(said: Status) -> dt.tzinfo:
    try:
        return zoneinfo.ZoneInfo(said.time_zone) if said.time_zone else dt.UTC
    except (ValueError, OSError):
        return dt.UTC


def _plumbing(said: Status, speech: Speech = ENGLISH) -> list[tuple[str, str]]:
    rows = [("post", f"up {span(said.up_s)}, site {said.site}")]
    rows += [(f"port {p.stream}", f"{p.port}: {p.state}{_reason(p.reason)}, {_rate(p.rate_bytes_per_s)}") for p in said.ports]
    for epoch in said.epochs:
        every = f", every {epoch.interval_s:.1f} s" if epoch.interval_s is not None else ""
        what = f"station {epoch.station_id}, {_satellites(epoch)}, {_ago(epoch.ago_s)}{every}"
        rows.append((f"epoch {epoch.stream}", what))
    if not said.epochs:
        rows.append(("epoch", "none yet"))
    if said.fix is not None:
        fix = said.fix
        words = [QUALITY_WORDS.get(fix.quality, f"quality {fix.quality}"), _ago(fix.ago_s)]
        words += [f"{fix.satellites} satellites"] if fix.satellites is not None else []
        words += [f"HDOP {fix.hdop:.1f}"] if fix.hdop is not None else []
        words += [f"corrections {fix.age_s:.1f} s old"] if fix.age_s is not None else []
        rows.append(("fix", ", ".join(words)))
    rows.append(("base", said.base_check))
    rows.append(("set-up", f"{said.set_up.line} ({_who_set_up(said)})"))
    if said.check_in is not None and not _superseded(said.check_in, said.check):
        rows.append(("check-in", f"{_ended(said.check_in, speech)}{said.check_in.in_words(speech)}"))
    if said.paused is not None:
        rows.append(("paused", said.paused.line))
    for shelved in said.shelved:
        note = f": {shelved.note}" if shelved.note else ""
        rows.append(("shelved", f"{shelved.rule}, for {span(shelved.left_s)} more{_by(shelved.by)}{note}"))
    rows.append(("clock", said.clock_source))
    rows.append(("log", _log(said)))
    rows += [("office", said.office.line)] if said.office is not None else []
    rows += [("health", _health(said))]
    rows += [("problem", problem) for problem in said.problems]
    return rows


def _satellites(epoch: EpochStatus) -> str:
    """How many, and of which constellations."""
    count = "1 satellite" if epoch.satellites == 1 else f"{epoch.satellites} satellites"
    names = ", ".join(CONSTELLATIONS.get(system, system) for system in epoch.systems)
    return f"{count} ({names})" if names else count


def _superseded(declared: CheckInStatus, check: CheckStatus | None) -> bool:
    """True where the rover has been checked again since the declared check-in ended: `ready` says how."""
    return check is not None and declared.ended_ago_s is not None and check.ago_s < declared.ended_ago_s


def _ended(declared: CheckInStatus, speech: Speech) -> str:
    """How long ago the check-in ended; nothing while it goes on."""
    return "" if declared.ended_ago_s is None else f"{speech.phrase(f'{span(declared.ended_ago_s)} ago')}, "


def _who_set_up(said: Status) -> str:
    set_up = said.set_up
    if set_up.planned:
        return "as in the site file"
    when = f" on {Stamps(_zone(said))(0.0, set_up.utc)}" if set_up.utc else ""
    return f"set up{_by(set_up.by)}{when}"


def _by(name: str | None) -> str:
    return f" by {name}" if name else ""


def _log(said: Status) -> str:
    log = said.log
    words = [Path(log.path).name if log.path else "no file", _size(log.size_bytes), f"{_size(log.raw_bytes)} of them raw"]
    if log.failed:
        words.append(f"CANNOT BE WRITTEN: {log.failed}; {_size(log.waiting_bytes)} wait")
    if log.lost_bytes:
        words.append(f"{_size(log.lost_bytes)} lost")
    if log.disk_free_fraction is not None:
        left = f", {span(log.disk_left_h * 3600)} left at this rate" if log.disk_left_h is not None else ""
        words.append(f"disk {log.disk_free_fraction:.0%} free{left}")
    return ", ".join(words)


def _health(said: Status) -> str:
    words = [f"{said.temperature_c:.0f} °C"] if said.temperature_c is not None else []
    if said.restarts is not None:
        times = {0: "not restarted", 1: "restarted once"}.get(said.restarts, f"restarted {said.restarts} times")
        words.append(f"{times} since power on")
    return ", ".join(words) or "nothing known"


def _rate(rate: float | None) -> str:
    return "rate not known yet" if rate is None else f"{rate:.0f} bytes/s"


def _reason(reason: str) -> str:
    return f" ({reason})" if reason else ""


def _ago(seconds: float) -> str:
    return f"{seconds:.1f} s ago" if seconds < 100 else f"{span(seconds)} ago"


def _size(size_bytes: int) -> str:
    if size_bytes < 10_000:
        return f"{size_bytes} B"
    return f"{size_bytes / 1000:.0f} kB" if size_bytes < 10_000_000 else f"{size_bytes / 1e6:.0f} MB"
