"""A broker that means harm: it costs the link, and nothing else."""

import os
import socket
import threading
from pathlib import Path

import pytest
from witnesspost.daemon.publish.connection import MOST_PACKET_BYTES, Connection
from witnesspost.rules.site.model import Office

from tests.daemon.view import until

CONNACK = bytes.fromhex("2003000000")  # MQTT 5, 3.2: accepted, no properties


class User:
    """Hears."""

    def __init__(self):
        self.messages = []

    def heard(self, message):
        self.messages.append((message.topic, len(message.payload)))

    def send(self, client):
        return 1.0

    def prepare(self, client):
        pass

    up = leave = taken = prepare

    def down(self):
        pass


class Hostile:
    """Takes one connection, and sends these bytes after its CONNACK; `sent` of them went off before the other end had gone."""

    def __init__(self, data):
        self.connect = b""
        self.sent = 0
        self._data = data
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self):
        end, _ = self._server.accept()
        with end:
            self.connect = end.recv(4096)
            end.sendall(CONNACK)
            try:
                while self.sent < len(self._data):
                    self.sent += end.send(self._data[self.sent : self.sent + 65536])
                while end.recv(4096):
                    pass
            except OSError:
                pass

    def close(self):
        self._thread.join(10)
        self._server.close()
        assert not self._thread.is_alive()


@pytest.fixture
def linked():
    made = []

    def link(data):
        broker, user = Hostile(data), User()
        office = Office(broker=f"mqtt://127.0.0.1:{broker.port}")
        connection = Connection(office, Path(), f"wp-{os.urandom(4).hex()}", user)
        made.append((broker, connection))
        connection.start()
        return broker, user, connection

    yield link
    for broker, connection in made:
        connection.stop()
        broker.close()


def publish(size_bytes, announced=None):
    """A PUBLISH of QoS 0 (MQTT 5, 3.3) whose header announces so many bytes."""
    body = b"\0\1x" + b"\0" + b"y" * size_bytes
    rest, left = b"", len(body) if announced is None else announced
    while left or not rest:
        rest, left = rest + bytes([left % 128 | (128 if left > 127 else 0)]), left // 128
    return b"\x30" + rest + body


def test_the_broker_is_told_what_is_the_most(linked):
    broker, _, connection = linked(b"")
    until(lambda: connection.up_since is not None)
    assert b"\x27" + MOST_PACKET_BYTES.to_bytes(4) in broker.connect, "Maximum Packet Size (MQTT 5, 3.1.2.11.4)"


def test_what_is_within_that_is_heard(linked):
    _, user, _ = linked(publish(MOST_PACKET_BYTES - 100))
    until(lambda: user.messages)
    assert user.messages == [("x", MOST_PACKET_BYTES - 100)]


@pytest.mark.parametrize("announced", [MOST_PACKET_BYTES + 1, (1 << 28) - 1])
def test_a_longer_packet_ends_the_connection_before_it_is_read(linked, announced):
    broker, user, connection = linked(publish(60_000_000, announced))
    until(lambda: connection.error)
    assert connection.error == "the broker sends more at once than was agreed"
    broker.close()
    assert broker.sent < 20_000_000, "no more than the sockets hold"
    assert user.messages == []
