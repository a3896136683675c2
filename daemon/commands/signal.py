"""`witnesspost signal SITE`: sounds and lights each pattern once, with its meaning."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import click
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.signals.bank import Bank
from witnesspost.daemon.signals.driver import OPEN_S
from witnesspost.daemon.signals.patterns import PASSED, PATTERNS, Rhythm, Said
from witnesspost.daemon.signals.signals import Signals
from witnesspost.rules.book.contents import FIGURES, open_site
from witnesspost.rules.site.model import SiteError
from witnesspost.rules.site.salvage import salvage

_PAUSE_S = 1.0
_WAIT_S = 0.02


@click.command()
@click.argument("site_file", metavar="SITE")
@click.option("--off", is_flag=True, help="Only switch all outputs off, as the service's unit does when the watch has ended.")
def signal(site_file: str, off: bool) -> None:
    """Sound and light each pattern once on the outputs of SITE, with its meaning. Stop the post first: it holds the pins."""
    if off:
        Bank(salvage(site_file, FIGURES), time.monotonic).close(OPEN_S)
        return
    try:
        site = open_site(site_file)
    except SiteError as error:
        raise Unusable(str(error)) from None
    if not site.signal:
        raise Unusable(f"{site_file}: no [[signal]]; name a buzzer, an LED or the bench's bell there")
    bank = Bank(site, time.monotonic, terminal=sys.stderr)
    try:
        problems = [bank.problem] if bank.problem else []
        problems += [why for line in bank.lines if (why := line.driver.opened(OPEN_S)) is not None]
        for problem in problems:
            click.echo(problem, err=True)
        if not any(line.driver.works for line in bank.lines):
            raise Unusable(f"{site_file}: none of its {len(site.signal)} outputs can be used here")
        play(Signals([(line.driver, line.sense) for line in bank.lines]), time.monotonic, time.sleep, click.echo)
    except KeyboardInterrupt:
        click.echo("stopped")
    finally:
        bank.close()


def play(signals: Signals, clock: Callable[[], float], sleep: Callable[[float], None], say: Callable[[str], None]) -> None:
    """Each pattern for one turn of its light and of its sound, a pause between them; `say` prints what it means."""
    for state, pattern in PATTERNS.items():
        say(f"{state}: {pattern.meaning}\n    light: {pattern.seen}\n    sound: {pattern.heard}")
        _play_one(signals, state, clock, sleep)
        _play_one(signals, "dark", clock, sleep)


def _play_one(signals: Signals, said: Said, clock: Callable[[], float], sleep: Callable[[float], None]) -> None:
    pattern = PATTERNS[said]
    for_s = max(_once_s(pattern.light), _once_s(pattern.sound), _PAUSE_S)
    end = clock() + for_s
    if said == PASSED:
        signals.show("well", clock(), silent=True)
        signals.check_passed(clock())
    while (t := clock()) < end:
        signals.show("well" if said == PASSED else said, t, silent=said == PASSED)
        sleep(_WAIT_S)


def _once_s(rhythm: Rhythm | None) -> float:
    """Its turns (one where it has no end) without the last rest, and a second more, in seconds."""
    return (rhythm.turns * rhythm.period_ms - rhythm.beats_ms[-1]) / 1000.0 + 1.0 if rhythm else 0.0
