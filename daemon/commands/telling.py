"""How a command tells the running post something: who says it, and what the post answers."""

from __future__ import annotations

import getpass
import os
from pathlib import Path

import click
import msgspec
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.commands.status import speech_of
from witnesspost.daemon.requests import Request, expected
from witnesspost.daemon.status.server import NoAnswer, ask, tell

BY = click.option("--by", metavar="NAME", help="Who says so. Default: the user who is logged in.")


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


def login() -> str:
    """Who is logged in."""
    try:
        return os.environ.get("SUDO_USER") or getpass.getuser()
    except (OSError, KeyError):
        return f"user {os.getuid()}"
