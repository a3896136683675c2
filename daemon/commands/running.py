"""Which post a command means, of those that run here."""

from __future__ import annotations

from pathlib import Path

import click
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.host.places import run_folders
from witnesspost.daemon.status.server import NoAnswer, NobodyThere, ask, sockets
from witnesspost.rules.naming import did_you_mean, meant

POST = click.option("--post", metavar="NAME", help="The post's name. Default: the one that runs here.")


def socket_of(post: str | None) -> Path:
    """The socket of the post that is meant: `post`, or the one that runs here. Raises Unusable."""
    found = sockets(run_folders()) if post is None else sockets_of(post)
    if not found:
        raise Unusable(nobody_runs(post))
    if len({path.stem for path in found}) > 1:
        found = [path for path in found if _lives(path)] or found
    if len({path.stem for path in found}) > 1:
        raise Unusable(f"several posts run here; name one with --post: {', '.join(path.stem for path in found)}")
    return found[0]


def sockets_of(post: str) -> list[Path]:
    """The sockets of the post of this name, capital letters or not."""
    found = sockets(run_folders())
    name = meant(post, {path.stem for path in found})
    return [path for path in found if path.stem == name]


def nobody_runs(post: str | None) -> str:
    """That no post of this name runs here, or none at all, and what to look at."""
    folders = run_folders()
    others = sorted({path.stem for path in sockets(folders)})
    if post is None:
        return f"no post is running here (no socket in {' or '.join(map(str, folders))}); start one first"
    if near := did_you_mean(post, others):
        return f"no post {post} is running here{near}"
    only = f", only {', '.join(others)}" if others else ""
    return f"no post {post} is running here{only}; see systemctl status witnesspost@{post}"


def _lives(path: Path) -> bool:
    """False where a killed post has left its socket behind."""
    try:
        ask(path)
    except NobodyThere:
        return False
    except NoAnswer:
        pass
    return True
