"""README, "Many posts", word by word: from nothing to a board with two posts, of which one falls silent."""

import contextlib
import http.client
import os
import re
import signal
import subprocess
import sys
import time

import pytest

from tests.daemon.publish.broker import free_port
from tests.documentation import TOP

SECTION = re.search(r"^## Many posts$(.*?)^## ", (TOP / "README.md").read_text(), re.DOTALL | re.MULTILINE)[1]
INSTALLED = re.compile(r"^sudo apt install [\w -]+$", re.MULTILINE)

USERS_PATH = "/usr/local/bin:/usr/bin:/bin:/usr/local/games:/usr/games"
"""That of whoever is not root, in Debian 12's /etc/profile."""


def commands():
    """What a reader types, with ports that are free; what is installed already is not installed again."""
    (block,) = re.findall(r"(?:^    .*\n)+", SECTION, re.MULTILINE)
    text = re.sub(r"^    ", "", block, flags=re.MULTILINE)
    assert INSTALLED.search(text)
    text = INSTALLED.sub("", text)
    one = free_port()
    ports = {"18830": str(free_port()), "8018": str(free_port()), "20001": f"{one}", "20002": f"{one + 1}"}
    assert all(port in text for port in ("18830", "20001", "20002"))
    text = text.replace("2000$number", f"$(({one} - 1 + number))")
    for port, ours in ports.items():
        text = text.replace(port, ours)
    # The board's own port is the one that it has where nobody says another; here somebody else may have it.
    assert text.rstrip().endswith(f"board --broker mqtt://127.0.0.1:{ports['18830']}")
    return f"{text.rstrip()} --listen 127.0.0.1:{ports['8018']}\n", int(ports["8018"])


def board(port):
    with contextlib.suppress(OSError):
        asked = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
        asked.request("GET", "/")
        return asked.getresponse().read().decode()
    return ""


@pytest.mark.slow
def test_the_section_is_followed_word_by_word(tmp_path):
    script, port = commands()
    (tmp_path / "bin").mkdir()
    ours = tmp_path / "bin" / "witnesspost"
    ours.write_text(f'#!/bin/sh\nexec {sys.executable} -m witnesspost.daemon "$@"\n')
    ours.chmod(0o755)
    environment = {
        **os.environ,
        "PATH": f"{ours.parent}:{USERS_PATH}",
        "PYTHONPATH": ":".join(sys.path),
        "RUNTIME_DIRECTORY": str(tmp_path),
    }
    folder = tmp_path / "many"
    folder.mkdir()
    folder.chmod(0o755)
    with (tmp_path / "said").open("wb") as said:
        shell = subprocess.Popen(
            ["bash", "-c", script], cwd=folder, env=environment, stdout=said, stderr=said, start_new_session=True
        )
    seen = set()
    try:
        deadline = time.monotonic() + 180.0
        while not {"2 well", "1 stop · 1 well"} <= seen:
            assert time.monotonic() < deadline, (seen, (tmp_path / "said").read_text())
            text = board(port)
            seen |= set(re.findall(r"\d+ stop · \d+ well|\d+ well", text))
            time.sleep(0.2)
        assert text.index("kestrel-2") < text.index("kestrel-1")
        assert re.search(r"<b>stop</b> kestrel-2 The port of corrections ", text), text
    finally:
        with contextlib.suppress(ProcessLookupError):  # all that the shell began, and nothing else
            os.killpg(shell.pid, signal.SIGTERM)
        shell.wait(20)
