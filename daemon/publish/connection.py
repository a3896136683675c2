"""A connection to a broker (MQTT 5) on a thread of its own, which comes back by itself.

    connect ──► up ──what is to be sent──► broker        a pause, twice as long each time, up to 20 s, less up to half by chance
       ▲         └──lost, refused──► pause ──┐
       └─────────────────────────────────────┘

Everything of paho's is called on this thread alone. Whoever uses the connection gets its calls there, and wakes it by `wake`.
"""

from __future__ import annotations

import contextlib
import errno
import os
import random
import select
import socket
import ssl
import threading
import time
from pathlib import Path
from typing import Any, Protocol

from paho.mqtt.client import Client, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from witnesspost.daemon.publish.secret import NotSecret, password_in
from witnesspost.rules.site.model import Office

FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 20.0
HELD_S = 30.0  # a connection that held so long begins with the first pause again
KEEPALIVE_S = 20  # a broker counts a client as gone after one and a half of it (MQTT 5, 3.1.2.10)
ANSWER_S = 15.0  # from the connection to the broker's word, and to the word on each message
MOST_PACKET_BYTES = 68_000  # the longest state of a post, with its topic; nothing longer is read, whoever sends it
_CONNECT_S = 10.0
_LOOK_S = 1.0
_JOIN_S = 0.5

_WRONG_LOGIN, _NOT_ALLOWED = 0x86, 0x87  # who may not connect has the wrong login: many brokers say no more
REFUSED = {
    0x84: "the broker does not speak MQTT 5",
    0x85: "the broker does not take this client's name",
    0x86: "the broker does not take the user or the password",
    0x87: "the broker does not let this user do that",
    0x88: "the broker is not available",
    0x89: "the broker is busy",
    0x8A: "the broker has banned this client",
    0x8B: "the broker shuts down",
    0x8C: "the broker does not take the user or the password",
    0x8D: "the broker heard nothing for too long",
    0x8E: "another client took this one's place",
    0x97: "the broker's quota is used up",
}
"""MQTT 5, 2.4, in plain words."""


class User(Protocol):
    """Who uses a connection. All of it is called on the connection's thread."""

    def prepare(self, client: Client) -> None:
        """Before it connects: a last will, say."""

    def up(self, client: Client) -> None:
        """The broker has taken it."""

    def send(self, client: Client) -> float:
        """Send what there is to send; seconds until this is to be called again, if nothing wakes it."""

    def taken(self, mid: int) -> None:
        """The broker has this message of QoS 1."""

    def heard(self, message: MQTTMessage) -> None:
        """A message came."""

    def down(self) -> None:
        """It is lost, or never came to be."""

    def leave(self, client: Client) -> None:
        """The end: the last word, for which the broker is waited for a moment."""


class Refused(Exception):
    """The broker says no; the text says why in plain words."""


class _Client(Client):
    """Paho's, which leaves the socket of a TLS handshake that fails open for as long as nobody collects it, and which reads a
    packet of any length into memory."""

    too_long = False

    def _sock_recv(self, bufsize: int) -> bytes:
        """What is asked for at once is the rest of one packet, so that its first piece says how long it is."""
        if bufsize > MOST_PACKET_BYTES:
            self.too_long = True
            raise OSError(errno.EMSGSIZE, os.strerror(errno.EMSGSIZE))
        received: bytes = super()._sock_recv(bufsize)
        return received

    def _ssl_wrap_socket(self, tcp_sock: socket.socket) -> ssl.SSLSocket:
        assert self._ssl_context is not None
        end = self._ssl_context.wrap_socket(tcp_sock, server_hostname=self._host, do_handshake_on_connect=False)
        try:
            end.settimeout(_CONNECT_S)
            end.do_handshake()
        except BaseException:
            end.close()
            raise
        return end


class Connection:
    """Keeps a connection to the broker of `office` for `user`. `folder` is where its files are looked for.

    `up_since` is a monotonic time, None while it is down; `error` says in a line why it is, or last was.
    """

    def __init__(self, office: Office, folder: Path, client_id: str, user: User):
        self.up_since: float | None = None
        self.error: str | None = None
        self.failed: BaseException | None = None
        self._office = office
        self._folder = folder
        self._client_id = client_id
        self._user = user
        self._ending = threading.Event()
        self._waker, self._wakes = socket.socketpair()
        self._waker.setblocking(False)
        self._wakes.setblocking(False)
        self._refused: str | None = None
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def wake(self) -> None:
        """There is something to send, or the end has come. From any thread."""
        with contextlib.suppress(OSError):  # it is awake anyway
            self._waker.send(b"x")

    def stop(self) -> None:
        """The end; waits a moment for the last word. A thread that hangs in the network is left behind."""
        self._ending.set()
        self.wake()
        if self._thread.ident is not None:
            self._thread.join(_JOIN_S)

    # ── the thread ──────────────────────────────────────────────────────────────────────────────────────────────

    def _run(self) -> None:
        pauses = 0
        try:
            while not self._ending.is_set():
                began = time.monotonic()
                try:
                    self._live()
                except (OSError, Refused, NotSecret, ValueError) as error:  # ValueError: a host name that is none
                    self.error = self._words(error)
                self.up_since = None
                self._user.down()
                pauses = 0 if time.monotonic() - began >= HELD_S else pauses + 1
                longest = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2 ** min(pauses, 10))
                self._ending.wait(longest * random.uniform(0.5, 1.0))
        except BaseException as error:
            self.failed = error
        finally:
            self._waker.close()
            self._wakes.close()

    def _live(self) -> None:
        """One connection from its beginning to its end. Raises OSError, Refused, NotSecret."""
        client = self._client()
        try:
            self._user.prepare(client)
            limit = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            limit.MaximumPacketSize = MOST_PACKET_BYTES  # MQTT 5, 3.1.2.11.4
            client.connect(self._office.host, self._office.port, KEEPALIVE_S, clean_start=True, properties=limit)
            began = time.monotonic()
            while not self._ending.is_set():
                wait_s = _LOOK_S
                if self.up_since is not None:
                    wait_s = min(wait_s, self._user.send(client))
                elif time.monotonic() - began > ANSWER_S:
                    raise TimeoutError
                self._turn(client, wait_s)
            if self.up_since is not None:
                self._user.leave(client)
                client.disconnect()
                self._flush(client)
        finally:
            self._close(client)

    def _client(self) -> _Client:
        client = _Client(CallbackAPIVersion.VERSION2, self._client_id, protocol=MQTTv5)
        client.connect_timeout = _CONNECT_S
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_publish = self._published
        client.on_message = lambda _client, _data, message: self._user.heard(message)
        office = self._office
        if office.user is not None:
            password = password_in(self._folder / office.password_file) if office.password_file is not None else None
            client.username_pw_set(office.user, password)
        if office.encrypted:
            ca_file = self._folder / office.ca_file if office.ca_file is not None else None
            client.tls_set_context(ssl.create_default_context(cafile=ca_file))
        self._refused = None
        return client

    def _turn(self, client: _Client, wait_s: float) -> None:
        """Wait for the network or a wake, and do what it brings. Raises OSError and Refused where the connection is lost."""
        end = client.socket()
        if end is None:
            raise Refused(self._refused) if self._refused is not None else ConnectionResetError
        pending = isinstance(end, ssl.SSLSocket) and end.pending() > 0
        writes = [end] if client.want_write() else []
        readable, writable, _ = select.select([end, self._wakes], writes, [], 0.0 if pending else max(0.0, wait_s))
        if self._wakes in readable:
            with contextlib.suppress(BlockingIOError):
                self._wakes.recv(4096)
        code = MQTTErrorCode.MQTT_ERR_SUCCESS
        if end in readable or pending:
            code = client.loop_read()
            if client.too_long:
                raise Refused("the broker sends more at once than was agreed")
        if writable and code == MQTTErrorCode.MQTT_ERR_SUCCESS:
            code = client.loop_write()
        if code == MQTTErrorCode.MQTT_ERR_SUCCESS:
            code = client.loop_misc()
        if self._refused is not None:
            raise Refused(self._refused)
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise ConnectionResetError

    def _flush(self, client: Client) -> None:
        """The last words leave, if the network takes them at once."""
        until = time.monotonic() + _JOIN_S / 2
        with contextlib.suppress(OSError):
            while client.want_write() and (end := client.socket()) is not None and time.monotonic() < until:
                select.select([], [end], [], 0.05)
                client.loop_write()

    def _close(self, client: Client) -> None:
        """No word to the broker: it takes what it sees for a loss, and says the last will."""
        client.on_disconnect = None
        with contextlib.suppress(OSError):
            client._reset_sockets()

    # ── what paho calls, within `_turn` ─────────────────────────────────────────────────────────────────────────

    def _connected(self, client: Client, _data: Any, _flags: Any, code: ReasonCode, _properties: Any) -> None:
        if code.is_failure:
            words = REFUSED[_WRONG_LOGIN] if code.value == _NOT_ALLOWED else REFUSED.get(code.value)
            self._refused = words or f"the broker refuses: {code}"
            return
        self.up_since = time.monotonic()
        self._user.up(client)

    def _disconnected(self, _client: Client, _data: Any, _flags: Any, code: ReasonCode, _properties: Any) -> None:
        if self._refused is None and code.is_failure and code.value in REFUSED:
            self._refused = REFUSED[code.value]

    def _published(self, _client: Client, _data: Any, mid: int, code: ReasonCode, _properties: Any) -> None:
        if code.is_failure:
            self._refused = REFUSED.get(code.value, f"the broker refuses a message: {code}")
        else:
            self._user.taken(mid)

    def _words(self, error: Exception) -> str:
        office = self._office
        where = f"{office.host}:{office.port}"
        if isinstance(error, Refused | NotSecret):
            return str(error)
        if isinstance(error, ssl.SSLCertVerificationError):
            return f"the certificate of {where} is not trusted: {error.verify_message.rstrip('.')}"
        if isinstance(error, ssl.SSLError):
            why = f": {error.reason.replace('_', ' ').lower()}" if error.reason else ""
            return f"no TLS with {where}{why}"
        if isinstance(error, socket.gaierror | ValueError):
            return f"{office.host}: no such name in this network"
        if isinstance(error, TimeoutError):
            return f"{where} does not answer"
        if isinstance(error, ConnectionRefusedError):
            return f"nothing listens on {where}"
        if isinstance(error, ConnectionError):
            return f"the connection to {where} was lost"
        if isinstance(error, FileNotFoundError | PermissionError) and office.ca_file is not None:
            return f"{self._folder / office.ca_file}: cannot be read: {error.strerror}"
        return f"{where} cannot be reached: {error.strerror or error}" if isinstance(error, OSError) else str(error)
