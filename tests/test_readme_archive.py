"""The README's archive, word by word: each command as it stands there, and what it says it prints."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

README = (Path(__file__).parents[1] / "README.md").read_text()
SECTION = README.partition("## An archive of many days\n")[2].partition("\n## ")[0]


def steps():
    """(command, the lines that ought to follow)."""
    found = []
    for line in re.findall(r"^    (.*)$", SECTION, re.MULTILINE):
        if line.startswith("$ "):
            found.append((line[2:], []))
        else:
            found[-1][1].append(line)
    return found


@pytest.mark.slow
def test_the_readmes_archive_comes_out_as_it_stands_there(tmp_path):
    (tmp_path / "bin").mkdir()
    program = tmp_path / "bin" / "witnesspost"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m witnesspost.daemon "$@"\n')
    program.chmod(0o755)
    env = {**os.environ, "PATH": f"{program.parent}:{os.environ['PATH']}"}
    assert len(steps()) >= 6
    for command, said in steps():
        done = subprocess.run(
            command, shell=True, cwd=tmp_path, env=env, capture_output=True, text=True, timeout=300, check=False
        )
        assert (done.returncode, done.stdout.splitlines()) == (0, said), f"{command}: {done.stderr}"
