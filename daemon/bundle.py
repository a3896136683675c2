"""One file for the person on the telephone: what he would ask for, with passwords and PIN left out.

    NAME.zip:  status.txt  status.json  site.toml  versions.txt  journal.txt  log.db (a snapshot)  left-out.txt

What cannot be had is said in left-out.txt, and costs nothing else.
"""

from __future__ import annotations

import importlib.metadata
import platform
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import tomllib
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any

import msgspec
from witnesspost.daemon.log.opening import LogError, copy_log
from witnesspost.daemon.status.snapshot import Status

JOURNAL_LINES = 1000
_JOURNAL_S = 20.0
_BLANK = "(left out)"
_SECRET_KEY = re.compile(r"pin|pass(word|phrase|wd)?|secret|token|psk", re.IGNORECASE)
_IN_URL = re.compile(r"(?<=://)[^/\s@\"']+@")  # user:password@ before a host
_LEAST_SECRET = 4  # a shorter text stands in other words too
_CHUNK_BYTES = 1 << 20
_COPYING = 0.5  # of the work; the rest is packing

Progress = Callable[[float], None]
"""Told the share that is done, 0 to 1; raises where the work is to end."""


def write_bundle(
    out: IO[bytes],
    status: Status | None,
    site_text: str,
    screen: str = "",
    log: Path | None = None,
    *,
    room: Path | None = None,
    progress: Progress = lambda part: None,
) -> list[str]:
    """Write the bundle of a post to `out`; what could not be had, a line each.

    `status` is the post's own (None: it does not run), `screen` the same as people read it, `site_text` its site file, `log`
    the log to copy, by default the one that it writes; its copy lies in the folder `room` meanwhile.
    """
    secrets = secrets_of(site_text)
    left_out: list[str] = []
    post = status.post if status is not None else "witnesspost"
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as bundle:

        def put(name: str, text: str) -> None:
            bundle.writestr(name, without(text, secrets))

        put("site.toml", site_text or "(it could not be read)\n")
        if status is not None:
            put("status.json", msgspec.json.format(msgspec.json.encode(status)).decode())
            put("status.txt", f"{screen}\n")
            log = log or (Path(status.log.path) if status.log.path else None)
        else:
            left_out.append("status: no post answers")
        put("versions.txt", "\n".join(_versions()) + "\n")
        put("journal.txt", _journal(post, left_out))
        _put_log(bundle, log, secrets, left_out, room or _room(), progress)
        put("left-out.txt", "\n".join(["passwords and the PIN", *left_out]) + "\n")
    return [without(line, secrets) for line in left_out]


def secrets_of(site_text: str) -> set[str]:
    """The values in a site file that nobody else may read: PIN, passwords, what stands before a host in a port's URL."""
    found = {whole.rstrip("@") for whole in _IN_URL.findall(site_text)}
    found |= {part for whole in found for part in whole.split(":")[1:]}
    try:
        table = tomllib.loads(site_text.removeprefix("\ufeff"))
    except (tomllib.TOMLDecodeError, RecursionError):
        lines = re.findall(r"""^\s*["']?(\w+)["']?\s*=\s*["']?([^"'\n#]+)""", site_text, re.MULTILINE)
        found |= {value.strip() for key, value in lines if _SECRET_KEY.fullmatch(key)}
    else:
        found |= {str(value) for key, value in _values(table) if _SECRET_KEY.fullmatch(key)}
    return {secret for secret in found if len(secret) >= _LEAST_SECRET}


def without(text: str, secrets: set[str]) -> str:
    """`text` with each secret blanked, the longest first."""
    for secret in sorted(secrets, key=len, reverse=True):
        text = text.replace(secret, _BLANK)
    return text


def _values(table: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(table, dict):
        for key, value in table.items():
            if isinstance(value, dict | list):
                yield from _values(value)
            else:
                yield key, value
    elif isinstance(table, list):
        for value in table:
            yield from _values(value)


def _versions() -> Iterator[str]:
    yield f"system     {platform.platform()}"
    yield f"python     {sys.version.split()[0]} ({sys.executable})"
    yield f"sqlite     {sqlite3.sqlite_version}"
    names = sorted({dist.metadata["Name"] or "" for dist in importlib.metadata.distributions()}, key=str.lower)
    for name in filter(None, names):
        yield f"{name:<30} {importlib.metadata.version(name)}"


def _journal(post: str, left_out: list[str]) -> str:
    """The unit's last lines, as the service manager's journal has them."""
    unit, tool = f"witnesspost@{post}", shutil.which("journalctl")
    if tool is None:
        left_out.append("journal: there is no journalctl here")
        return ""
    words = [tool, "-u", unit, "-n", str(JOURNAL_LINES), "--no-pager", "-o", "short-iso"]
    try:
        done = subprocess.run(words, capture_output=True, timeout=_JOURNAL_S, check=False)
    except (OSError, subprocess.TimeoutExpired):
        left_out.append("journal: journalctl does not answer")
        return ""
    if done.returncode:
        left_out.append(f"journal: journalctl may not be read, or failed ({done.returncode}); be in the group systemd-journal")
    return done.stdout.decode(errors="replace")


def _put_log(
    bundle: zipfile.ZipFile,
    log: Path | None,
    secrets: set[str],
    left_out: list[str],
    room: Path | None,
    progress: Progress,
) -> None:
    if log is None:
        left_out.append("log: the post writes none now")
        return
    try:
        with tempfile.TemporaryDirectory(dir=room) as folder:
            copy = Path(folder, "log.db")
            copy_log(str(log), copy, lambda part: progress(_COPYING * part))
            if _holds(copy, secrets, progress):
                left_out.append(f"log: {log.name} holds the PIN or a password")
                return
            with copy.open("rb") as file, bundle.open(log.name, "w", force_zip64=True) as packed:
                size_bytes = copy.stat().st_size
                while data := file.read(_CHUNK_BYTES):
                    packed.write(data)
                    progress(_COPYING + (1 - _COPYING) * file.tell() / size_bytes)
    except (LogError, OSError) as error:
        left_out.append(f"log: {error}")


def _room() -> Path | None:
    """A folder on a disk: a log may be larger than memory."""
    return room if (room := Path("/var/tmp")).is_dir() else None


def _holds(path: Path, secrets: set[str], progress: Progress) -> bool:
    """True if a secret stands anywhere in the file."""
    wanted = [secret.encode() for secret in secrets]
    keep = max(map(len, wanted), default=0)
    rest = b""
    with path.open("rb") as file:
        while wanted and (data := file.read(_CHUNK_BYTES)):
            if any(secret in rest + data for secret in wanted):
                return True
            rest = data[-keep:]
            progress(_COPYING)
    return False
