"""How a command tells the running post something: which post, who says it, and what the post answers."""

from __future__ import annotations

import getpass
import os
from pathlib import Path

import click
import msgspec
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.commands.status import speech_of
from witnesspost.daemon.host.places import run_folders
from witnesspost.daemon.requests import Request, expected
from witnesspost.daemon.status.server import NoAnswer, NobodyThere, ask, sockets, tell

POST = click.option("--post", metavar="NAME", help="The post's name. Default: the one that runs here.")
BY = click.option("--by", metavar="NAME", help="Who says so. Default: the name that is logged in.")


def tell_post(path: Path, request: Request) -> str:
    """What the post at this socket did, in a line, in its language. Raises Unusable."""
    try:
        request = msgspec.convert(msgspec.to_builtins(request), type=Request)  # its bounds, said before the post has to
    except msgspec.ValidationError as error:
        raise Unusable(expected(error)) from None
    try:
        return tell(path, request, speech_of(ask(path)).phrase)
    except NoAnswer as error:
        raise Unusable(str(error)) from None


def socket_of(post: str | None) -> Path:
    """The socket of the post that is meant: `post`, or the one that runs here. Raises Unusable."""
    folders = run_folders()
    found = [path for path in sockets(folders) if post in (None, path.stem)]
    if not found:
        which = f"no post {post}" if post else "no post"
        raise Unusable(f"{which} is running here (no socket in {' or '.join(map(str, folders))})")
    if len({path.stem for path in found}) > 1:
        found = [path for path in found if _lives(path)] or found
    if len({path.stem for path in found}) > 1:
        raise Unusable(f"several posts run here; name one with --post: {', '.join(path.stem for path in found)}")
    return found[0]


def login() -> str:
    """Who is logged in."""
    try:
        return os.environ.get("SUDO_USER") or getpass.getuser()
    except (OSError, KeyError):
        return f"user {os.getuid()}"


def _lives(path: Path) -> bool:
    """False where a killed post has left its socket behind."""
    try:
        ask(path)
    except NobodyThere:
        return False
    except NoAnswer:
        pass
    return True
