"""A real broker (Mosquitto) on a free port, one who listens to it, and a network that is slow and is cut."""

import contextlib
import json
import select
import shutil
import socket
import subprocess
import threading
import time
from pathlib import Path

from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

MOSQUITTO = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin")


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as end:
        return end.getsockname()[1]


class Broker:
    """Mosquitto with its files in `folder`: begun, killed and begun again on one port; `more` are lines for it."""

    def __init__(self, folder: Path, more: str = "allow_anonymous true", port: int | None = None):
        assert MOSQUITTO, "mosquitto is not installed: apt-get install mosquitto"
        self.port = port or free_port()
        self.folder = folder
        self.process = None
        self.configure(more)
        self.start()

    def configure(self, more):
        lines = [f"listener {self.port} 127.0.0.1", "max_queued_messages 0", "max_inflight_messages 0", "log_type error", more]
        (self.folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")

    def start(self):
        self.folder.chmod(0o755)
        with (self.folder / "mosquitto.log").open("ab") as log:
            words = [MOSQUITTO, "-c", str(self.folder / "mosquitto.conf")]
            self.process = subprocess.Popen(words, stdout=log, stderr=log, stdin=subprocess.DEVNULL)
        deadline = time.monotonic() + 10.0
        while True:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1.0):
                return
            assert self.process.poll() is None, (self.folder / "mosquitto.log").read_text()
            assert time.monotonic() < deadline, "the broker does not come up"
            time.sleep(0.01)

    def kill(self):
        if self.process is not None:
            self.process.kill()
            self.process.wait(10)
            self.process = None


class Listener:
    """Who listens to all of a topic: `heard` is each message in order, as (topic, what its JSON says, retained)."""

    def __init__(self, port, topic="witnesspost/#", **login):
        self.heard = []
        self._up = threading.Event()
        self.client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
        if login:
            self.client.username_pw_set(login["user"], login["password"])
        self.client.on_connect = lambda client, *_: client.subscribe(topic, qos=1)
        self.client.on_subscribe = lambda *_: self._up.set()
        self.client.on_message = self._message
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self._up.wait(10.0), "the broker does not take who listens"

    def _message(self, client, data, message):
        self.heard.append((message.topic, json.loads(message.payload), message.retain))

    def of(self, kind):
        """What was said on a topic that ends so."""
        return [told for topic, told, _ in [*self.heard] if topic.endswith(f"/{kind}")]

    def changes(self):
        """Each change once, by its key, in the order in which it came first."""
        return list({(told["post"], told["run"], told["alert"], told["seq"]): told for told in self.of("change")})

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


class Network:
    """A way to a port that lets `bytes_per_s` pass each way, after `delay_s`, and ends each connection after `cut_bytes`."""

    def __init__(self, port, bytes_per_s=1e9, delay_s=0.0, cut_bytes=1 << 40):
        self.cuts = 0
        self._to, self._rate, self._delay_s, self._cut_bytes = port, bytes_per_s, delay_s, cut_bytes
        self._ending = threading.Event()
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self):
        self._server.settimeout(0.05)
        while not self._ending.is_set():
            with contextlib.suppress(TimeoutError):
                here, _ = self._server.accept()
                with here, contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self._to)) as there:
                    self._carry(here, there)

    def _carry(self, here, there):
        passed, step = 0, max(1, int(self._rate * self._delay_s)) if self._delay_s else 65536
        while not self._ending.is_set():
            readable, _, _ = select.select([here, there], [], [], 0.05)
            for end in readable:
                self._ending.wait(self._delay_s)
                data = end.recv(step)
                if not data:
                    return
                (there if end is here else here).sendall(data)
                passed += len(data)
            if passed >= self._cut_bytes:
                self.cuts += 1
                return

    def close(self):
        self._ending.set()
        self._thread.join()
        self._server.close()
