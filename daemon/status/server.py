"""What the running post knows, and what it is told, over a Unix socket: one JSON object each way, and done.

    (nothing)               ──►  how things stand: PostView.snapshot()
    {"do": "seen", …}       ──►  {"done": "…"} or {"refused": "…"}; the fact goes to the rules by PostView.tell

Whoever connects says what he has to say within REQUEST_S, in at most REQUEST_BYTES, and ends his half of the connection.
Nobody who asks, or does not read, costs the watch anything. The socket's rights are its owner's and its group's (0660).
"""

from __future__ import annotations

import contextlib
import os
import socket
import stat
import threading
import time
from collections.abc import Callable
from pathlib import Path

import msgspec
from witnesspost.daemon.companion import PostView
from witnesspost.daemon.requests import Answer, Request, answer
from witnesspost.daemon.status.snapshot import Status
from witnesspost.rules.alert import Change

_ANSWER_S = 2.0
REQUEST_S = 0.25
REQUEST_BYTES = 4096
_STOP_S = 0.5
_QUEUE = 64
_AGAIN_S = 0.1  # after accept(2) has failed, as for want of file handles


class NoAnswer(Exception):
    """No post answers there; the text says why in one line."""


class NobodyThere(NoAnswer):
    """No process has the socket open: the post that made it is gone, or never was."""


class SocketTaken(Exception):
    """Another post answers on this socket."""


class StatusServer:
    """The companion `status`: answers on the socket at `path` with the post's latest snapshot.

    A socket that a killed service left behind is taken over; `start` raises SocketTaken where another post answers on it, and
    OSError where it cannot be.
    """

    name = "status"
    vital = False

    def __init__(self, path: Path, mode: int = 0o660):
        self.path = path
        self._mode = mode
        self._closed = threading.Event()
        self._failed: Exception | None = None
        self._socket: socket.socket | None = None
        self._thread: threading.Thread | None = None

    def start(self, post: PostView) -> None:
        """Listen, on a thread of its own: who asks need not wait for a turn."""
        self._post = post
        self.path.parent.mkdir(parents=True, exist_ok=True)
        end = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
        try:
            self._bind(end)
        except BaseException:
            end.close()
            raise
        self._socket = end
        self._thread = threading.Thread(target=self._serve, args=(end,), name="status socket", daemon=True)
        self._thread.start()

    def see(self, changes: list[Change]) -> None:
        """Nothing to do with it: the snapshot knows."""

    def turn(self, t: float) -> None:
        """Raise what the socket's thread came to grief over."""
        if self._failed is not None:
            raise self._failed

    def stop(self) -> None:
        """Answer no more, and take the socket away."""
        self._closed.set()
        end, self._socket = self._socket, None
        if end is None or self._thread is None:
            return
        with contextlib.suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
        end.close()
        self.path.unlink(missing_ok=True)
        self._thread.join(_STOP_S)

    def _bind(self, end: socket.socket) -> None:
        if self.path.is_socket():
            with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as other, contextlib.suppress(ConnectionRefusedError):
                other.settimeout(_ANSWER_S)
                with contextlib.suppress(BlockingIOError):  # others are before us: somebody lives there
                    other.connect(str(self.path))
                raise SocketTaken(f"{self.path}: another post answers there; give this one another post.name")
            self.path.unlink()
        end.bind(str(self.path))
        os.chmod(self.path, self._mode)  # before it listens: nobody can have connected yet
        end.listen(_QUEUE)

    def _serve(self, end: socket.socket) -> None:
        while not self._closed.is_set():
            try:
                asked, _ = end.accept()
            except OSError:
                self._closed.wait(_AGAIN_S)
                continue
            try:
                with asked, contextlib.suppress(OSError):
                    said = _heard(asked)
                    asked.settimeout(_ANSWER_S)
                    if said.strip():
                        asked.sendall(msgspec.json.encode(answer(said, self._post)) + b"\n")
                    elif (latest := self._post.snapshot()) is not None:
                        asked.sendall(msgspec.json.encode(latest) + b"\n")
            except Exception as error:
                self._failed = error
                return


def ask(path: Path) -> Status:
    """The status of the post whose socket is at `path`. Raises NoAnswer."""
    said = _exchange(path, b"")
    if not said:
        raise NoAnswer(f"{path}: the post is only just starting; ask again in a second")
    try:
        return msgspec.json.decode(said, type=Status)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        raise NoAnswer(f"{path}: what answers there is not a post of this version") from None


def tell(path: Path, request: Request, phrase: Callable[[str], str] = str) -> str:
    """Tell the post whose socket is at `path`; what it did, in a line, said by `phrase`. Raises NoAnswer."""
    said = _exchange(path, msgspec.json.encode(request))
    try:
        told = msgspec.json.decode(said, type=Answer)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        raise NoAnswer(f"{path}: what answers there is not a post of this version") from None
    if told.refused is not None or told.done is None:
        raise NoAnswer(f"{path.stem}: {phrase(told.refused or '')}")
    return phrase(told.done)


def _heard(asked: socket.socket) -> bytes:
    """All that comes within REQUEST_S; one byte more than REQUEST_BYTES where it is too much."""
    until = time.monotonic() + REQUEST_S
    said = b""
    while len(said) <= REQUEST_BYTES and (left_s := until - time.monotonic()) > 0:
        asked.settimeout(left_s)
        try:
            more = asked.recv(REQUEST_BYTES + 1 - len(said))
        except TimeoutError:
            break
        if not more:
            break
        said += more
    return said


def _exchange(path: Path, request: bytes) -> bytes:
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as end:
            end.settimeout(2 * _ANSWER_S)
            end.connect(str(path))
            with contextlib.suppress(BrokenPipeError, ConnectionResetError):  # it has answered already, and gone
                end.sendall(request)
                end.shutdown(socket.SHUT_WR)
            return b"".join(iter(lambda: end.recv(65536), b""))
    except PermissionError:
        raise NoAnswer(f"{path}: no rights to ask; be in the group {_group(path)}, or use sudo") from None
    except (FileNotFoundError, ConnectionRefusedError):
        raise NobodyThere(f"{path}: no post is running there; see systemctl status witnesspost@{path.stem}") from None
    except (TimeoutError, BlockingIOError):
        raise NoAnswer(f"{path}: the post does not answer; see journalctl -u witnesspost@{path.stem}") from None
    except OSError as error:
        raise NoAnswer(f"{path}: {error.strerror or error}") from None


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
