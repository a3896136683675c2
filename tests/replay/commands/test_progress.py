"""Long work shows how far it is to a person at a terminal, and nothing of it in a pipe."""

import contextlib
import os
import pty
import re
import sys
import termios
import threading
import time

import pytest
from click.testing import CliRunner
from witnesspost.daemon.cli import main
from witnesspost.daemon.progress import progress_bar
from witnesspost.replay.world.scenario import FOLDER

LONG = [
    ["verify", "{log}"],
    ["snapshot", "{log}", "{out}"],
    ["extract", "{log}", "--stream", "corrections", "-o", "{out}"],
    ["extract", "{log}", "--as", "csv", "-o", "{out}"],
    ["extract", "{log}", "--as", "geojson", "-o", "{out}", "--from", "20", "--to", "60"],
    ["extract", "{log}", "--as", "rinex", "-o", "{out}"],
    ["extract", "{log}", "--as", "parquet", "-o", "{out}"],
    ["points", "{log}", "--points", "{field}", "-o", "{out}"],
    ["report", "{log}", "-o", "{out}"],
    ["invent", "{scenario}", "-o", "{out}"],
]

PRINTING = [
    ["gather", "{log}", "{out}"],
    ["season", "{log}", "--jobs", "1"],
    ["replay", "{log}"],
    ["replay", "{tape}"],
    ["replay", "{scenario}", "--log", "{out}"],
    ["prove", "link-overload:epochs-lost", "radio-sheet:air-rate-differs"],
]


_END = "\x04end of what was said\x04"


class Terminal:
    """A pty as stderr of whatever runs within it; `said` is all that it showed."""

    def __init__(self, columns=80):
        self._columns = columns

    def __enter__(self):
        self._ours, theirs = pty.openpty()
        termios.tcsetwinsize(theirs, (24, self._columns))
        self._stderr, sys.stderr = sys.stderr, os.fdopen(theirs, "w")
        self._reader = threading.Thread(target=self._read)
        self._reader.start()
        return self

    def __exit__(self, *_):
        terminal, sys.stderr = sys.stderr, self._stderr
        terminal.write(_END)  # its closing is no end: a process that was started meanwhile may have it open
        terminal.close()
        self._reader.join()
        os.close(self._ours)

    def _read(self):
        said = b""
        while not said.endswith(_END.encode()):
            said += os.read(self._ours, 65536)
        self.said = said.decode().removesuffix(_END)


FEW = {"snapshot": 2, "points": 3}  # of a short day: its copy is one step, its points are judged in one


@pytest.fixture(scope="module")
def short(tmp_path_factory):
    """A scenario of a minute in which a port is gone for a while, and its tape."""
    folder = tmp_path_factory.mktemp("short")
    scenario, tape = folder / "short.toml", folder / "short.jsonl.gz"
    scenario.write_text(
        f'like = "{FOLDER / "quiet-hour-base.toml"}"\nnote = "A cable is pulled."\nduration_s = 60\n'
        '[[event]]\ndo = "port-lost"\nstream = "corrections"\nat_s = 20\nfor_s = 20\n'
    )
    assert CliRunner().invoke(main, ["invent", str(scenario), "-o", str(tape)]).exit_code == 0
    return {"scenario": scenario, "tape": tape}


@pytest.mark.parametrize("words", LONG, ids=" ".join)
def test_on_a_terminal_a_bar_goes_to_its_end_and_never_back(day, tmp_path, capfd, words, short):
    log, field = day
    with Terminal() as terminal, contextlib.suppress(SystemExit):
        main([word.format(log=log, field=field, out=tmp_path / "out", **short) for word in words], standalone_mode=False)
    bars = [[int(part) for part in re.findall(r"(\d+)%", bar)] for bar in terminal.said.split("\x1b[?25h")[:-1]]
    assert len(bars) == (2 if words[0] == "verify" else 1)
    for bar in bars:
        assert bar == sorted(bar)
        assert bar[-1] == 100
        assert len(set(bar)) >= FEW.get(words[0], 4)


@pytest.mark.slow
@pytest.mark.parametrize("words", [*LONG, *PRINTING], ids=" ".join)
def test_in_a_pipe_nothing_of_it(day, tmp_path, words, short):
    log, field = day
    done = CliRunner().invoke(main, [word.format(log=log, field=field, out=tmp_path / "out", **short) for word in words])
    assert done.exit_code in (0, 1), done.output
    assert not re.search(r"\d%|#{3}|\d of \d+ runs|\r|\x1b", done.output)


def test_on_a_terminal_too_verify_says_where_a_cut_off_log_is_damaged(day, tmp_path, capsys):
    """A page of the file gone: its size cannot be asked of SQLite any more, its chain can be followed up to there."""
    log = tmp_path / day[0].name
    log.write_bytes(day[0].read_bytes()[: day[0].stat().st_size * 6 // 10])
    with Terminal(), contextlib.suppress(SystemExit):
        main(["verify", str(log)], standalone_mode=False)
    assert re.search(r"\n  DAMAGED: .+", capsys.readouterr().out)


def test_a_bar_is_not_pushed_past_its_end_or_back(capfd):
    with Terminal() as terminal, progress_bar("working") as progress:
        for part in (0.2, 0.1, 0.5, 1.7, 0.3):
            progress(part)
    assert re.findall(r"(\d+)%", terminal.said)[-1] == "100"


@pytest.mark.parametrize("columns", [40, 60, 80])
@pytest.mark.parametrize("label", ["working", "kestrel-rover.0001.db: tables", "a-post-with-a-long-name.0001.db: tables"])
def test_a_bar_stays_in_its_line_of_a_narrow_terminal(capfd, monkeypatch, columns, label):
    now = time.time()
    monkeypatch.setattr(time, "time", lambda: now)
    with Terminal(columns) as terminal, progress_bar(label) as progress:
        for part in (0.2, 0.4, 0.6, 0.8):
            now += 40_000.0  # so slow that what is left is days
            progress(part)
    shown = re.sub(r"\x1b\[\?25.", "", terminal.said).strip("\r\n").split("\r")
    assert len(shown) == 6
    assert [line for line in shown if len(line) > columns] == []
    assert [re.findall(r"(\d+)%", line) for line in shown] == [["0"], ["20"], ["40"], ["60"], ["80"], ["100"]]
    assert all(label[-10:] in line for line in shown)


@pytest.mark.parametrize("words", PRINTING, ids=" ".join)
def test_what_prints_as_it_goes_on_shows_how_far_it_is_and_wipes_it_away(day, tmp_path, capfd, words, short):
    log, _field = day
    with Terminal() as terminal, contextlib.suppress(SystemExit):
        main([word.format(log=log, out=tmp_path / "out", **short) for word in words], standalone_mode=False)
    shown, wiped = re.subn(r"(\d+%|\d+ of \d+ (?:logs|runs))\r\x1b\[K", "", terminal.said)
    assert wiped >= 1
    assert not re.search(r"\d%|of \d+ (?:logs|runs)|\r(?!\n)", shown)


def test_alerts_and_how_far_it_is_do_not_share_a_line_of_the_terminal(short):
    with Terminal() as terminal, contextlib.redirect_stdout(sys.stderr):
        main(["replay", str(short["scenario"])], standalone_mode=False)
    before = re.findall(r"([^\n]*)(?:STOP|over) +2026-", re.sub(r"\x1b\[[0-9;]*m", "", terminal.said))
    assert len(before) == 2
    assert all(re.search(r"replaying \d+%\r\x1b\[K$", text) for text in before)
    assert terminal.said.endswith("\r\x1b[K")
