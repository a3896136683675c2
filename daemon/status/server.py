"""What the running post knows, asked by a Unix socket: connect, read one JSON object, done.

    service thread ──publish──► the latest Status, never changed again ──► server thread ──► whoever connects

The server only ever reads what was published last, so a person who asks, and one who asks and does not read, costs the
watch nothing. The socket's rights are its owner's and its group's (0660).
"""

from __future__ import annotations

import contextlib
import os
import socket
import stat
import threading
from pathlib import Path

import msgspec
from msgspec import Struct

_ANSWER_S = 2.0
_QUEUE = 64
_AGAIN_S = 0.1  # after accept(2) has failed, as for want of file handles


class PortStatus(Struct, kw_only=True, frozen=True):
    """One stream: its port's state, its bytes so far and its rate over the last ten seconds."""

    stream: str
    port: str
    state: str
    reason: str
    read_bytes: int
    rate_bytes_per_s: float | None


class EpochStatus(Struct, kw_only=True, frozen=True):
    """The last correction epoch on a line: whose, how long ago, how often they come, and with what in it."""

    stream: str
    station_id: int
    ago_s: float
    interval_s: float | None
    systems: str
    satellites: int


class FixStatus(Struct, kw_only=True, frozen=True):
    """The receiver's last position report; `quality` is GGA's, `age_s` the age of the corrections that it used."""

    ago_s: float
    quality: int
    satellites: int | None
    hdop: float | None
    age_s: float | None
    station_id: int | None


class AlertStatus(Struct, kw_only=True, frozen=True):
    """An alert that stands: its state as its last change left it, and for how long it has been raised."""

    rule: str
    cause: str
    severity: str
    stream: str
    state: str
    for_s: float
    because_of: str | None
    shelved: bool
    say: str


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
    """The whole post at `up_s` seconds after its start."""

    post: str
    role: str
    site: str
    pid: int
    up_s: float
    utc: str | None
    clock_source: str
    showing: str
    restarts: int | None
    temperature_c: float | None
    ports: list[PortStatus]
    epochs: list[EpochStatus]
    fix: FixStatus | None
    base_check: str
    alerts: list[AlertStatus]
    log: LogStatus
    problems: list[str]


class NoAnswer(Exception):
    """No post answers there; the text says why in one line."""


class NobodyThere(NoAnswer):
    """No process has the socket open: the post that made it is gone, or never was."""


class SocketTaken(Exception):
    """Another post answers on this socket."""


class StatusServer:
    """Answers on the socket at `path` with what was last published. Raises SocketTaken, or OSError where it cannot be.

    A socket that a killed service left behind is taken over.
    """

    def __init__(self, path: Path, mode: int = 0o660):
        self.path = path
        self._latest: Status | None = None
        self._closed = threading.Event()
        path.parent.mkdir(parents=True, exist_ok=True)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
        try:
            self._bind(mode)
        except BaseException:
            self._socket.close()
            raise
        self._thread = threading.Thread(target=self._serve, name="status", daemon=True)
        self._thread.start()

    def publish(self, status: Status) -> None:
        """From now on, answer with this."""
        self._latest = status

    def close(self) -> None:
        """Answer no more, and take the socket away."""
        self._closed.set()
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        self._thread.join(2 * _ANSWER_S)
        self.path.unlink(missing_ok=True)

    def _bind(self, mode: int) -> None:
        if self.path.is_socket():
            with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as end, contextlib.suppress(ConnectionRefusedError):
                end.settimeout(_ANSWER_S)
                with contextlib.suppress(BlockingIOError):  # others are before us: somebody lives there
                    end.connect(str(self.path))
                raise SocketTaken(f"{self.path}: another post answers there; give this one another post.name")
            self.path.unlink()
        self._socket.bind(str(self.path))
        os.chmod(self.path, mode)  # before it listens: nobody can have connected yet
        self._socket.listen(_QUEUE)

    def _serve(self) -> None:
        while not self._closed.is_set():
            try:
                asked, _ = self._socket.accept()
            except OSError:
                self._closed.wait(_AGAIN_S)
                continue
            with asked, contextlib.suppress(OSError):
                asked.settimeout(_ANSWER_S)
                if self._latest is not None:
                    asked.sendall(msgspec.json.encode(self._latest) + b"\n")


def ask(path: Path) -> Status:
    """The status of the post whose socket is at `path`. Raises NoAnswer."""
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as end:
            end.settimeout(2 * _ANSWER_S)
            end.connect(str(path))
            said = b"".join(iter(lambda: end.recv(65536), b""))
    except PermissionError:
        raise NoAnswer(f"{path}: no rights to ask; be in the group {_group(path)}, or use sudo") from None
    except (FileNotFoundError, ConnectionRefusedError):
        raise NobodyThere(f"{path}: no post is running there; see systemctl status witnesspost@{path.stem}") from None
    except (TimeoutError, BlockingIOError):
        raise NoAnswer(f"{path}: the post does not answer; see journalctl -u witnesspost@{path.stem}") from None
    except OSError as error:
        raise NoAnswer(f"{path}: {error.strerror or error}") from None
    if not said:
        raise NoAnswer(f"{path}: the post is only just starting; ask again in a second")
    try:
        return msgspec.json.decode(said, type=Status)
    except msgspec.DecodeError:
        raise NoAnswer(f"{path}: what answers there is no post of this version") from None


def sockets(folders: list[Path]) -> list[Path]:
    """The sockets of posts in these folders, by name."""
    return sorted(
        path for folder in folders if folder.is_dir() for path in folder.glob("*.sock") if stat.S_ISSOCK(path.stat().st_mode)
    )


def _group(path: Path) -> str:
    try:
        return path.group()
    except (OSError, KeyError):
        return "witnesspost"
