"""The command line as a whole: what is typed wrong is one line and status 2, whichever command it was meant for."""

import os
import subprocess
import sys

import pytest
from click.testing import CliRunner
from witnesspost.daemon.cli import COMMANDS, main


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["watch"], "Missing argument 'SITE'; see witnesspost watch --help"),
        (["verify"], "Missing argument 'LOG...'; see witnesspost verify --help"),
        (["extract", "a.db"], "Missing option '-o' / '--output'; see witnesspost extract --help"),
        (["replay", "a", "b"], "Got unexpected extra argument (b); see witnesspost replay --help"),
        (["replay", "a", "--speed", "fast"], "'fast' is not a valid float range; see witnesspost replay --help"),
        (["status", "--jason"], "see witnesspost status --help"),
        (["wach"], "No such command 'wach'"),
        (["--frobnicate"], "see witnesspost --help"),
    ],
)
def test_what_is_typed_wrong_is_one_line_and_2(words, said):
    done = CliRunner().invoke(main, words, prog_name="witnesspost")
    assert (done.exit_code, done.stdout) == (2, "")
    (line,) = done.stderr.splitlines()
    assert said in line
    assert line.endswith(" --help")


def test_help_is_whole():
    bare = CliRunner().invoke(main, [])
    asked = CliRunner().invoke(main, ["-h"])
    assert asked.exit_code == 0
    for text in (bare.output, asked.output):
        assert [name for name in COMMANDS if f"\n  {name} " not in text] == []


@pytest.mark.parametrize("words", [["--help"], ["verify", "--help"], ["status"]])
@pytest.mark.parametrize("how", ["full", "closed", "a pipe that nobody reads"])
def test_an_output_that_fails_is_one_line_and_no_traceback(tmp_path, words, how):
    command = [sys.executable, "-m", "witnesspost.daemon", *words]
    environment = {**os.environ, "RUNTIME_DIRECTORY": str(tmp_path)}
    if how == "closed":
        command = ["sh", "-c", '"$@" >&-', "sh", *command]
    ours, theirs = os.pipe()
    os.close(ours)
    with open("/dev/full" if how == "full" else "/dev/null", "wb") as file:
        out = theirs if how.startswith("a pipe") else file
        done = subprocess.run(command, stdout=out, stderr=subprocess.PIPE, text=True, env=environment, check=False)
    os.close(theirs)
    assert "Traceback" not in done.stderr
    assert len(done.stderr.splitlines()) <= 1
    if how == "full":
        assert done.returncode == 2
