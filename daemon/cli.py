"""The command line: one group that imports a command's module only when that command is called."""

from __future__ import annotations

import contextlib
import errno
import importlib
from collections.abc import Iterator
from typing import Any

import click
from witnesspost.daemon.atomic import leave_standard_output
from witnesspost.daemon.usage import usage_words

COMMANDS = {
    "watch": "witnesspost.daemon.commands.watch:watch",
    "check": "witnesspost.daemon.commands.check:check",
    "status": "witnesspost.daemon.commands.status:status",
    "seen": "witnesspost.daemon.commands.person:seen",
    "shelve": "witnesspost.daemon.commands.person:shelve",
    "pause": "witnesspost.daemon.commands.person:pause",
    "setup": "witnesspost.daemon.commands.today:setup",
    "checkin": "witnesspost.daemon.commands.today:checkin",
    "solved": "witnesspost.daemon.commands.today:solved",
    "listen": "witnesspost.daemon.commands.listen:listen",
    "board": "witnesspost.daemon.commands.board:board",
    "signal": "witnesspost.daemon.commands.signal:signal",
    "replay": "witnesspost.replay.commands.replay:replay",
    "invent": "witnesspost.replay.commands.invent:invent",
    "prove": "witnesspost.replay.commands.prove:prove",
    "snapshot": "witnesspost.daemon.commands.snapshot:snapshot",
    "bundle": "witnesspost.daemon.commands.bundle:bundle",
    "card": "witnesspost.daemon.commands.card:card",
    "verify": "witnesspost.daemon.commands.verify:verify",
    "points": "witnesspost.replay.commands.points:points",
    "report": "witnesspost.replay.commands.report:report",
    "gather": "witnesspost.replay.commands.gather:gather",
    "ask": "witnesspost.replay.commands.ask:ask",
    "season": "witnesspost.replay.commands.season:season",
    "extract": "witnesspost.replay.commands.extract:extract",
}

SHORT = {
    "watch": "Watch the ports of a site file: log, judge, alert.",
    "check": "Say what is wrong with a site file, or what it means.",
    "status": "Ask the running post how things are.",
    "seen": "Say that somebody has seen the alerts.",
    "shelve": "Silence a rule for a while.",
    "pause": "Announce a pause, as for a battery change.",
    "setup": "Say how base and pole are set up today.",
    "checkin": "Check in on a control point, and see the result.",
    "solved": "Say which step has solved an alert.",
    "listen": "Say what comes on a port, and start a site file.",
    "board": "Show all posts on one page, the worst first.",
    "signal": "Sound and light each pattern once, with its meaning.",
    "replay": "Play a tape, a log or a scenario through the rules.",
    "invent": "Write a tape of a scenario, with its truth lines.",
    "prove": "Grade all scenarios with several seeds.",
    "snapshot": "Copy a log consistently, also while it is written.",
    "bundle": "Put into one file what support asks for.",
    "card": "Write the sheet to print and hang at the post.",
    "verify": "Check a log's hash chain, its file, and its gaps.",
    "points": "Say which stored points can be kept or repaired.",
    "report": "Write a day's report, one page to read and to sign.",
    "gather": "Gather the logs of many days and posts into an archive.",
    "ask": "Ask an archive by SQL.",
    "season": "Judge a season of logs again by other figures.",
    "extract": "Get a day's bytes or positions out of its logs.",
}


_OUTPUT_FAILED = (errno.EPIPE, errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)


class Unusable(click.ClickException):
    """The input cannot be used: one line on stderr says what, where, and what was expected. Exit status 2."""

    exit_code = 2

    def show(self, file: Any = None) -> None:
        """The line, without a word before it."""
        click.echo(self.format_message(), err=True, file=file)


@contextlib.contextmanager
def _usage_in_one_line() -> Iterator[None]:
    try:
        yield
    except click.exceptions.NoArgsIsHelpError:
        raise
    except click.UsageError as error:
        what = usage_words(error, COMMANDS)
        command = error.ctx.command_path if error.ctx is not None else "witnesspost"
        raise Unusable(f"{what}{' ' if what.endswith('?') else '; '}see {command} --help") from None


@contextlib.contextmanager
def _output_in_one_line() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno not in _OUTPUT_FAILED or error.filename is not None:
            raise
        leave_standard_output()
        raise Unusable(f"standard output: cannot be written whole: {error.strerror}") from None


class _Commands(click.Group):
    def make_context(self, *args: Any, **extra: Any) -> click.Context:
        with _usage_in_one_line(), _output_in_one_line():  # --help is written here
            return super().make_context(*args, **extra)

    def invoke(self, ctx: click.Context) -> Any:
        with _usage_in_one_line(), _output_in_one_line():
            return super().invoke(ctx)

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        target = COMMANDS.get(cmd_name)
        if target is None:
            return None
        module, _, name = target.partition(":")
        command: click.Command = getattr(importlib.import_module(module), name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, SHORT[name]) for name in COMMANDS])


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="witnesspost", prog_name="witnesspost")
def main() -> None:
    """Witnesspost stands beside an RTK base or rover, keeps every byte, and speaks up when positions stop deserving trust.

    For newcomers: `check` a site file, `watch` its ports, then `replay` what was logged.
    """
