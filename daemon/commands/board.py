"""`witnesspost board --broker URL`: one page of all posts, the worst first."""

from __future__ import annotations

import asyncio
import contextlib
import re
import signal
from collections.abc import Coroutine

import click
from witnesspost.daemon.cli import Unusable
from witnesspost.rules.site.contradictions import office_problems
from witnesspost.rules.site.model import Office, Page
from witnesspost.rules.site.tables import TableReader


@click.command()
@click.option("--broker", required=True, metavar="URL", help="The office's broker, such as mqtts://broker.example:8883.")
@click.option("--user", metavar="NAME", help="The user name for the broker.")
@click.option("--password-file", metavar="FILE", help="The password, on its first line; nobody else may read the file.")
@click.option("--ca-file", metavar="FILE", help="The certificate authority (PEM) behind the broker's certificate.")
@click.option("--topic", default="witnesspost", show_default=True, help="What all posts' topics begin with.")
@click.option("--insecure", is_flag=True, help="Allow another computer's broker without TLS.")
@click.option("--listen", default="127.0.0.1:8018", show_default=True, metavar="ADDRESS:PORT", help="Where the page is.")
@click.option(
    "--silent",
    "silent_s",
    type=click.FloatRange(min=1),
    default=150.0,
    show_default=True,
    metavar="SECONDS",
    help="How long a post may say nothing before it counts as not heard.",
)
def board(
    broker: str,
    user: str | None,
    password_file: str | None,
    ca_file: str | None,
    topic: str,
    insecure: bool,
    listen: str,
    silent_s: float,
) -> None:
    """Show all posts of the office's broker on one page, live, the worst first.

    The page asks for no password: it listens on this computer alone, unless --listen names another address. Runs until Ctrl-C.
    """
    table = {"broker": broker, "user": user, "password_file": password_file, "ca_file": ca_file, "topic": topic}
    office = _office({key: value for key, value in table.items() if value is not None} | {"insecure": insecure})
    reader = TableReader()
    page = reader.struct(Page, {"listen": listen}, "page", otherwise={})
    if page is None or reader.problems or not 0 < page.port < 65536:
        raise Unusable(f"--listen: read {listen!r}; expected an address and a port, such as 127.0.0.1:8018")
    from witnesspost.daemon.board.board import Board  # with all that listens and serves: only once all is right
    from witnesspost.daemon.page.server import listening

    host = re.sub(r"[\[\]]", "", listen.rpartition(":")[0])
    host = "127.0.0.1" if host == "localhost" else host
    try:
        end = listening(host, page.port)
    except OSError as error:
        raise Unusable(f"--listen: cannot listen on {listen}: {error.strerror or error}") from None
    click.echo(f"board: http://{listen}/", err=True)
    if not page.is_of_loopback:
        click.echo("board: whoever reaches this address can read the page, which asks for no password", err=True)
    with end, contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_until_ended(Board(office, end, silent_s, local=page.is_of_loopback).run()))


async def _until_ended(serving: Coroutine[object, object, None]) -> None:
    work = asyncio.ensure_future(serving)
    for number in (signal.SIGTERM, signal.SIGHUP):
        asyncio.get_running_loop().add_signal_handler(number, work.cancel)
    with contextlib.suppress(asyncio.CancelledError):
        await work


def _office(table: dict[str, object]) -> Office:
    """What the options say, by the site file's own rules. Raises Unusable."""
    reader = TableReader()
    office: Office | None = reader.struct(Office, table, "office", otherwise={})
    problems = [*reader.problems, *(office_problems(office) if office is not None and not reader.problems else ())]
    if office is None or problems:
        raise Unusable(re.sub(r"^office\.(\w+)", lambda found: f"--{found[1].replace('_', '-')}", problems[0]))
    return office
