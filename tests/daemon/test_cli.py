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
        (["watch"], "SITE is missing; see witnesspost watch --help"),
        (["verify"], "LOG... is missing; see witnesspost verify --help"),
        (["extract", "a.db"], "--output is missing; see witnesspost extract --help"),
        (["replay", "a", "b"], "b: more than is expected here; see witnesspost replay --help"),
        (["replay", "a", "--speed", "fast"], "--speed: read 'fast'; expected a number over 0; see witnesspost replay --help"),
        (["replay", "a", "--speed", "0"], "--speed: read '0.0'; expected a number over 0; see witnesspost replay --help"),
        (["replay", "a", "--seed", "x"], "--seed: read 'x'; expected a whole number; see witnesspost replay --help"),
        (["replay", "a", "--seed"], "--seed needs a value after it; see witnesspost --help"),
        (
            ["listen", "a", "--baud", "1"],
            "--baud: read '1'; expected a whole number from 50 up to 4,000,000; see witnesspost listen --help",
        ),
        (["prove", "--seeds", "0"], "--seeds: read '0'; expected a whole number of 1 or more; see witnesspost prove --help"),
        (["points", "a", "--times", "x"], "--times: read 'x'; expected one of local, utc, gps; see witnesspost points --help"),
        (["setup", "--pole", "two"], "--pole: read 'two'; expected a number such as 1.5; see witnesspost setup --help"),
        (
            ["replay", "a", "--grids", __file__],
            f"--grids: read {__file__!r}; expected a folder that is there; see witnesspost replay --help",
        ),
        (["status", "--jason"], "--jason: there is no such option; did you mean --json? see witnesspost status --help"),
        (["status", "--json=1"], "--json takes no value; see witnesspost --help"),
        (["wach"], "wach: there is no such command; did you mean watch? see witnesspost --help"),
        (["--frobnicate"], "--frobnicate: there is no such option; see witnesspost --help"),
    ],
)
def test_what_is_typed_wrong_is_one_line_and_2(words, said):
    done = CliRunner().invoke(main, words, prog_name="witnesspost")
    assert (done.exit_code, done.stdout) == (2, "")
    (line,) = done.stderr.splitlines()
    assert line == said


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
