"""A command on a terminal so many columns wide, as a person in the field has it."""

import contextlib
import os
import pty
import subprocess
import sys
import termios


def shown_at(columns, *words):
    """What `witnesspost WORDS…` writes to standard output there, by lines, and its exit status."""
    master, slave = pty.openpty()
    termios.tcsetwinsize(slave, (40, columns))
    program = [sys.executable, "-m", "witnesspost.daemon", *map(str, words)]
    env = {**os.environ, "TERM": "xterm"}
    with subprocess.Popen(program, stdout=slave, stderr=subprocess.DEVNULL, env=env) as running:
        os.close(slave)
        got = b""
        with contextlib.suppress(OSError):  # Linux says so where nobody has the other end open any more
            while piece := os.read(master, 65536):
                got += piece
        os.close(master)
    return got.decode().split("\r\n"), running.returncode
