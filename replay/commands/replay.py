"""`witnesspost replay SOURCE`: a tape, a log or a scenario through the rules, as fast as it goes or paced."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

import click
from witnesspost.daemon.atomic import CannotWrite, new_file
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.lines import Teller, check_line, json_line
from witnesspost.daemon.local_time import Instant, Stamps
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.progress import PassingLine
from witnesspost.daemon.screen import Entry, Look, entry_text
from witnesspost.replay.play.comparison import differences
from witnesspost.replay.play.grading import grade
from witnesspost.replay.play.grids import NoGrid
from witnesspost.replay.play.player import play
from witnesspost.replay.play.source import NoSource, Source, open_all
from witnesspost.replay.play.stored_facts import StoredFacts, stored_facts
from witnesspost.replay.play.tape import TapeError
from witnesspost.replay.world.scenario import ScenarioError
from witnesspost.rules.alert import Change
from witnesspost.rules.book.contents import FIGURES, rules_in_force
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.language.speech import Speech
from witnesspost.rules.naming import did_you_mean, meant
from witnesspost.rules.site.model import SiteError

_FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)


@click.command()
@click.argument("source", metavar="SOURCE")
@click.option("--site", "site_file", metavar="SITE", help="Judge by this site file instead of the source's own.")
@click.option("--rule", metavar="RULE", help="Judge one rule alone; the others' alerts are as the log has them.")
@click.option("--grids", type=_FOLDER, metavar="FOLDER", help="A folder with the grids that a log was judged with.")
@click.option("--json", "as_json", is_flag=True, help="Print each change of an alert as one JSON object a line.")
@click.option("--log", "log_file", metavar="OUT.db", help="Write a log of the replay, as the live service would.")
@click.option(
    "--speed",
    type=click.FloatRange(min=0, min_open=True),
    help="Play at this pace: 1 is real time. Default: as fast as it goes.",
)
@click.option("--no-cache", "fresh", is_flag=True, help="Read a log's bytes anew, and keep nothing in the user's cache.")
@click.option("--seed", type=int, help="A seed other than the scenario's own.")
@click.option("--grade", "graded", is_flag=True, help="Compare with the truth lines; exit 1 on a miss or a false alert.")
def replay(
    source: str,
    site_file: str | None,
    rule: str | None,
    grids: Path | None,
    as_json: bool,
    log_file: str | None,
    speed: float | None,
    fresh: bool,
    seed: int | None,
    graded: bool,
) -> None:
    """Play SOURCE through the rules and print the alerts.

    SOURCE is a tape (JSON Lines), a log (NAME.0001.db) or a scenario (a TOML file, or the bare name of one that comes with
    Witnesspost). A log and a scenario bring their own site; a tape may. Of a scenario with variants all are played, one
    after the other, or the one named after a colon. What a log's bytes say is kept in the user's cache: the next replay of it,
    under other figures, is several times as fast.
    """
    passed = True
    try:
        sources = open_all(source, site_file, seed, grids)
        if log_file and len(sources) > 1:
            raise Unusable(
                f"{source} has {len(sources)} variants, a log holds one run; expected one of them, such as {sources[0][0]}"
            )
        for name, opened in sources:
            if len(sources) > 1:
                click.echo(f"{name}:", err=as_json)
            with opened:
                if graded and opened.kind == "log":
                    raise Unusable(_no_truth(name))
                alone = _rule_of(opened, name, rule, log_file) if rule is not None else None
                changes = _played(opened, as_json, log_file, speed, fresh, alone)
            if graded:
                if not (opened.truths or opened.invented):
                    raise Unusable(_no_truth(name))
                result = grade(opened.truths, changes)
                click.echo(result.in_words(), err=as_json)
                passed = passed and result.passed
    except (NoSource, SiteError, TapeError, ScenarioError, LogError, NoGrid, CannotWrite) as error:
        raise Unusable(str(error)) from None
    if not passed:
        raise SystemExit(1)


def _no_truth(name: str) -> str:
    return f"{name}: holds no truth lines to grade by; expected a scenario, or a tape that `witnesspost invent` wrote"


def _rule_of(opened: Source, name: str, typed: str, log_file: str | None) -> str:
    """The rule of the site's that was meant, which the log's own alerts stand beside. Raises Unusable."""
    if opened.changes is None:
        raise Unusable(f"--rule: {name} has no alerts that were judged then; expected a log (NAME.0001.db), or no --rule")
    if log_file is not None:
        raise Unusable("--rule with --log: a log has the alerts of every rule; leave one of the two out")
    in_force = [one.name for one in rules_in_force(opened.site, Scene(opened.site))]
    rule = meant(typed, in_force)
    if rule is not None:
        return rule
    if typed in FIGURES:
        off = opened.site.rules.get(typed, {}).get("off", False)
        why = "switched off in the site file" if off else f"not a rule for a {opened.site.post.role}"
        raise Unusable(f"--rule {typed}: is {why}; expected one of {', '.join(sorted(in_force))}")
    hint = did_you_mean(typed, in_force) or f"; expected one of {', '.join(sorted(in_force))}"
    raise Unusable(f"--rule {typed}: there is no such rule{hint}")


def _played(
    opened: Source, as_json: bool, log_file: str | None, speed: float | None, fresh: bool, alone: str | None
) -> list[Change]:
    if log_file is None:
        known = stored_facts(opened, beside=True) if speed is None and not fresh else None
        if known is None:
            return _through(opened, as_json, None, speed, alone=alone)
        with contextlib.closing(known):
            changes = _through(opened, as_json, None, speed, known, alone)
            known.keep()
        return changes
    with new_file(log_file) as written:
        log = Log.start(".", opened.site, opened.site_text, path=written)
        changes = _through(opened, as_json, log, speed)
        state = log.state()
        if state.failed or state.lost_bytes:
            raise CannotWrite(f"{log_file}: cannot be written whole: {state.failed or 'the disk was too slow'}")
    return changes


def _through(
    opened: Source,
    as_json: bool,
    log: Log | None,
    speed: float | None,
    known: StoredFacts | None = None,
    alone: str | None = None,
) -> list[Change]:
    others = opened.changes() if alone is not None and opened.changes is not None else ()
    pipeline = Pipeline(opened.site, log, begins_t=opened.begins_t, alone=alone, others=others)
    if opened.damage is not None:
        click.echo(opened.damage, err=True)
    if opened.kind == "log":
        for text in differences(opened.figures, pipeline, alone):
            click.echo(text, err=True)
    changes: list[Change] = []
    passing = PassingLine()
    printed = _Printed(opened, pipeline, as_json, log, passing, paced=speed is not None)
    ended = "replay broken off"
    try:

        def reached(t: float) -> None:
            if passing.is_seen:
                passing.show(f"replaying {opened.part(t):.0%}")
            printed.look(pipeline.last_check)

        reader = known.reads if known else None
        for change in play(
            pipeline, opened.records, end_t=opened.end_t, speed=speed, truths=opened.truths, moved=reached, reader=reader
        ):
            if alone not in (None, change.rule):
                continue
            changes.append(change)
            printed.put(change)
        printed.look(pipeline.last_check)
        last = max((truth.t + truth.within_s for truth in opened.truths), default=0.0)
        for change in pipeline.tick(last):
            changes.append(change)
            printed.put(change)
        passing.clear()
        ended = "replay ended"
        if not changes and not as_json:
            what = "nothing" if alone is None else f"{alone} never"
            click.echo(f"played to {pipeline.t:.0f} s, and {what} sounded", err=True)
    finally:
        passing.clear()
        printed.put_rest()
        if log is not None:
            pipeline.end()
            log.close(pipeline.t, ended)
    return changes


class _Printed:
    """The changes on standard output, all by one clock: what comes before anybody has said the time waits until somebody does.
    Not where it is `paced`: who watches wants it now."""

    def __init__(
        self, opened: Source, pipeline: Pipeline, as_json: bool, log: Log | None, passing: PassingLine, *, paced: bool
    ):
        self._scene = pipeline.scene
        self._passing = passing
        self._at_once = as_json or paced or opened.instant_at is not None
        self._as_json = as_json
        self._row_key = opened.row_key if log is None or opened.kind == "log" else log.row_key
        self._waiting: list[Change | tuple[float, dict[str, Any]]] = []
        self._checked_t: float | None = None
        self._speech = Speech.known(opened.site.post.language)
        self._stamps = Stamps(opened.site.post.zone, opened.instant_at or self._instant, self._speech.phrase)
        self._teller = Teller(self._stamps, self._speech)

    def look(self, check: tuple[float, dict[str, Any]] | None) -> None:
        """A check on a control point that has passed is a line; for a program it is in the log."""
        if check is None or check[0] == self._checked_t:
            return
        self._checked_t = check[0]
        if check[1]["passed"] and not check[1]["again"] and not self._as_json:
            self.put(check)

    def put(self, change: Change | tuple[float, dict[str, Any]]) -> None:
        self._waiting.append(change)
        if self._at_once or self._scene.utc is not None:
            self.put_rest()

    def put_rest(self) -> None:
        waiting, self._waiting = self._waiting, []
        if waiting:
            self._passing.clear()
        look = Look.of_output()
        for change in waiting:
            if isinstance(change, Change):
                click.echo(json_line(change, self._row_key(change)) if self._as_json else self._teller.text(change, look))
                continue
            t, detail = change
            phrase = self._speech.phrase
            line = check_line(detail["point"], detail["east_m"], detail["north_m"], detail["up_m"], detail["by"])
            click.echo(entry_text(Entry("well", self._stamps(t), phrase(line), [], shown=phrase("well")), look))

    def _instant(self, t: float) -> Instant | None:
        utc = self._scene.utc_at(t)
        return Instant(utc) if utc is not None else None
