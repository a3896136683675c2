"""One reader thread a port: open, read with a deadline, hand over, and open again when the device has gone.

    waiting ──opened──► open ──error──► lost ──opened──► back ──error──► lost …

Any URL that pyserial opens will do: a device or pty, socket://host:port, rfc2217://…, loop://.
"""

from __future__ import annotations

import errno
import grp
import os
import select
import socket
import threading
import time
import urllib.parse
from collections.abc import Callable
from typing import Any

import serial
from serial.urlhandler import protocol_socket
from witnesspost.daemon.stream.inbox import Chunk, Inbox
from witnesspost.rules.facts import Port
from witnesspost.rules.site.model import Stream

READ_DEADLINE_S = 0.5  # what an end waits for
GATHER_S = 0.02  # bytes of one burst are handed over together
MOST_BYTES = 4096
SCHEMES = ("socket", "rfc2217", "loop", "spy", "hwgrep", "alt", "cp2110")  # of the URLs that pyserial opens
BACK_OFF_S = (0.2, 0.5, 1.0, 2.0)


class PortReader(threading.Thread):
    """Reads one stream's port until `stop`; `moved_at` is when its loop last came round."""

    def __init__(self, stream: Stream, inbox: Inbox, clock: Callable[[], float]):
        super().__init__(name=f"port {stream.name}", daemon=True)
        self.stream = stream
        self.state = "waiting"
        self.reason = ""
        self.bytes_read = 0
        self.tried = threading.Event()  # set once the first attempt to open it has ended
        self._inbox = inbox
        self._clock = clock
        self.moved_at = clock()
        self._stopping = threading.Event()

    def stop(self) -> None:
        """End within a read's deadline."""
        self._stopping.set()

    def run(self) -> None:
        """The loop; every failure is a state of the port and a new attempt."""
        failures = 0
        while not self._stopping.is_set():
            self.moved_at = self._clock()
            try:
                port = self._open()
            except Exception as error:
                self._say("lost" if self.state == "lost" else "waiting", in_short(error, self.stream.port))
                self.tried.set()
                self._stopping.wait(BACK_OFF_S[min(failures, len(BACK_OFF_S) - 1)])
                failures += 1
                continue
            self._say("open" if self.state == "waiting" else "back", "")
            self.tried.set()
            before = self.bytes_read
            try:
                self._read(port)
            except Exception as error:
                self._say("lost", in_short(error, self.stream.port))
            finally:
                _close(port)
            if self.bytes_read > before:
                failures = 0
            else:  # it opens and fails at once: no hurry to open it again
                self._stopping.wait(BACK_OFF_S[min(failures, len(BACK_OFF_S) - 1)])
                failures += 1

    def _open(self) -> Any:
        return open_port(self.stream.port, self.stream.baud)

    def _read(self, port: Any) -> None:
        while not self._stopping.is_set():
            self.moved_at = self._clock()
            data = _burst(port)
            if data:
                self.bytes_read += len(data)
                if not self._inbox.put(Chunk(self._clock(), self.stream.name, data)):
                    self._stopping.wait(GATHER_S)  # whoever sends without end is not read faster than can be kept

    def _say(self, state: Any, reason: str) -> None:
        told, self.state, self.reason = self.state, state, reason
        if state == told and self.tried.is_set():
            return
        self._inbox.tell(Port(t=self._clock(), stream=self.stream.name, state=state, reason=reason))


def open_port(port: str, baud: int) -> Any:
    """An open port, as pyserial's, whose reads have a deadline. Raises what pyserial raises."""
    if port.startswith("socket://"):
        return _Socket(port, timeout=2 * GATHER_S)
    if "://" not in port:
        exclusive = True if port.startswith("/") else None  # two services on one port would halve its bytes
        return _Device(port, baud, timeout=READ_DEADLINE_S, exclusive=exclusive)
    return serial.serial_for_url(port, baudrate=baud, timeout=READ_DEADLINE_S)


def _burst(port: Any) -> bytes:
    """The next bytes, with those that follow them within GATHER_S; none where a read's deadline passes without any."""
    if isinstance(port, _Device):
        return port.burst()
    # A socket's `in_waiting` only says whether there is anything, so there a read gathers by its own deadline.
    if isinstance(port, _Socket):
        return bytes(port.read(MOST_BYTES))
    data = port.read(1)
    if data:
        time.sleep(GATHER_S)
        data += port.read(min(port.in_waiting, MOST_BYTES))
    return bytes(data)


class _Device(serial.Serial):  # type: ignore[misc, unused-ignore]
    """pyserial's device or pty, read with two wake-ups a burst: one for its first byte, one when it is gathered."""

    def burst(self) -> bytes:
        """See `_burst`. Raises OSError where the device has gone."""
        if not select.select([self.fd], (), (), READ_DEADLINE_S)[0]:
            return b""
        time.sleep(GATHER_S)
        try:
            data = os.read(self.fd, MOST_BYTES)
        except BlockingIOError:
            return b""
        if not data:  # a line that was hung up is always ready, and has nothing
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
        return data


class _Socket(protocol_socket.Serial):  # type: ignore[misc, unused-ignore]
    """pyserial's socket, without its habit of throwing away what came between the connection and the first read."""

    def reset_input_buffer(self) -> None:
        """Every byte counts."""


def no_address(port: str) -> str | None:
    """Why nothing is ever to be had from a URL of this form, in a few words; None where something may be, and of a device."""
    scheme, separator, _ = port.partition("://")
    if separator and scheme not in SCHEMES:
        return "is no kind of port; expected a device such as /dev/ttyUSB0 or socket://HOST:PORT"
    if scheme not in ("socket", "rfc2217") or not separator:
        return None
    try:
        number = urllib.parse.urlsplit(port).port
    except ValueError:
        number = None
    return None if number else f"names no TCP port; expected {scheme}://HOST:PORT"


def in_short(error: Exception, port: str) -> str:
    """Why a port cannot be used, in a few words, with the group that may where rights are missing."""
    if (why := no_address(port)) is not None:
        return why
    if isinstance(error.__context__, socket.gaierror):
        return "no computer of this name is found"
    number = getattr(error, "errno", None) or getattr(error.__context__, "errno", None)
    if number in (errno.EACCES, errno.EPERM):
        return f"no rights to it; be in the group {_group(port)}"
    if number == errno.ENOENT:
        return "not there yet"
    if number in (errno.EAGAIN, errno.EBUSY) or "exclusively lock" in str(error):
        return "in use by another program"
    if number == errno.ENOTTY or "Could not configure port" in str(error):
        return "is not a serial port"
    if number is not None:
        return os.strerror(number)
    text = str(error).split(":")[-1].strip() if "could not open port" in str(error) else str(error)
    return " ".join(text.split())[:120] or type(error).__name__


def _group(port: str) -> str:
    try:
        return grp.getgrgid(os.stat(port).st_gid).gr_name
    except (OSError, KeyError):
        return "dialout"


def _close(port: Any) -> None:
    try:
        port.close()
    except Exception:  # a device that is gone may not even close
        return
