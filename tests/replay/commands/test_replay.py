"""`witnesspost replay` as a person calls it: what it prints, what it refuses, and with which status."""

import contextlib
import gzip
import json
import shutil
import sqlite3
import subprocess
import tomllib
from pathlib import Path

import pytest
import tomli_w
from click.testing import CliRunner
from witnesspost.daemon.cli import main
from witnesspost.daemon.log.reading import LogFile
from witnesspost.rules.datum.grids import Grid

from tests.bench.streams import site_text
from tests.daemon.log.feeding import KEYS
from tests.rules.datum.test_geoid import write_gtx

SCENARIOS = ["rover-radio-other-frequency", "neighbours-base-on-our-channel"]
WRONG = Path(__file__).parents[1] / "play" / "scenarios" / "wrong-truth.toml"


def call(*words):
    return CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=False)


def refused(*words):
    """The one line on stderr of a call that must end with status 2."""
    done = call(*words)
    assert done.exit_code == 2
    (line,) = done.stderr.splitlines()
    return line


def without_places(stdout):
    """Each change without its place in a log, which what is no log cannot say."""
    return [{**json.loads(line), "run": None, "seq": None} for line in stdout.splitlines()]


@pytest.fixture(scope="module")
def source(tmp_path_factory):
    """A scenario's file: `rover-radio-other-frequency` in two minutes."""
    path = tmp_path_factory.mktemp("scenario") / "frequency.toml"
    event = '[[event]]\ndo = "radio"\nat_s = 60\nof = "rover"\nfrequency_mhz = 464.500\n'
    path.write_text(f'like = "rover-radio-other-frequency"\nduration_s = 120\n{event}')
    return path


@pytest.fixture(scope="module")
def tape(source):
    path = source.with_name("frequency.jsonl.gz")
    assert call("invent", source, "-o", path).exit_code == 0
    return path


@pytest.fixture(scope="module")
def played(tape):
    """(log that the tape was played into, what was said meanwhile as JSON)."""
    path = tape.with_name("played.db")
    said = call("replay", tape, "--json", "--log", path).stdout
    assert said
    return path, said


@pytest.fixture
def log(played, tmp_path):
    """A copy of that log."""
    return Path(shutil.copy(played[0], tmp_path / "replayed.db"))


@pytest.mark.parametrize("name", SCENARIOS)
def test_a_scenario_meets_its_truth(name):
    done = call("replay", name, "--grade")
    assert done.exit_code == 0, done.output
    assert done.output.splitlines()[-1].startswith("passed: ")


def test_all_variants_of_a_scenario_or_one_are_played(tmp_path):
    done = call("replay", "radio-sheet", "--grade")
    assert done.exit_code == 0
    names = [line for line in done.output.splitlines() if line.endswith(":")]
    assert names[0] == "radio-sheet:frequency-differs:"
    assert len(names) == done.output.count("passed: ") == 6
    one = call("replay", "radio-sheet:protocol-differs", "--grade")
    assert one.output.count("passed: ") == 1
    assert "radio-sheet has 6 variants" in refused("replay", "radio-sheet", "--log", tmp_path / "a.db")
    assert list(tmp_path.iterdir()) == []


def test_a_scenario_with_a_wrong_truth_line_fails():
    done = call("replay", WRONG, "--grade")
    assert done.exit_code == 1
    assert "FAILED" in done.output


def test_a_tape_a_log_and_the_scenario_itself_say_the_same(source, tape, log, played):
    scenario, written = call("replay", source, "--json").stdout, played[1]
    again = call("replay", log, "--json")
    assert (again.stdout, again.stderr) == (written, "")
    changes = [json.loads(line) for line in scenario.splitlines()]
    assert without_places(written) == changes
    assert changes[0]["rule"] == "corrections-stopped"
    assert [tuple(change) for change in changes] == [KEYS] * len(changes)
    with LogFile.open(log) as file:
        assert [c.t for c in file.changes()] == [c["t"] for c in changes]
        numbers = [n for (n,) in file.select("SELECT n FROM alert ORDER BY n")]
        assert [(c["run"], c["seq"]) for c in map(json.loads, written.splitlines())] == [(file.run_name, n) for n in numbers]
    assert "exists" in refused("replay", tape, "--log", log)


def test_a_log_is_read_once_and_its_facts_are_kept_in_the_users_cache(tmp_path, tape, monkeypatch):
    cache = tmp_path / "cache"
    monkeypatch.setenv("XDG_CACHE_HOME", str(cache))
    log = tmp_path / "replayed.db"
    written = call("replay", tape, "--json", "--log", log).stdout
    assert call("replay", log, "--json", "--no-cache").stdout == written
    assert not cache.exists()
    assert call("replay", log, "--json").stdout == written
    (kept,) = (cache / "witnesspost").iterdir()
    assert kept.stat().st_mode & 0o077 == 0
    monkeypatch.setattr("witnesspost.daemon.stream.reading.Reading.feed", None)  # no byte is read again
    assert call("replay", log, "--json").stdout == written
    assert sorted(tmp_path.iterdir()) == sorted([cache, log])


def test_what_holds_no_truth_lines_is_not_graded(tmp_path, tape, log):
    done = call("replay", log, "--grade")
    assert (done.exit_code, done.stdout) == (2, "")
    words = "holds no truth lines to grade by; expected a scenario, or a tape that `witnesspost invent` wrote\n"
    assert done.stderr == f"{log}: {words}"
    first, *rest = [line for line in gzip.decompress(tape.read_bytes()).splitlines() if b'"expect"' not in line]
    header = json.loads(first)
    assert header.pop("scenario") == "frequency"
    bare = tmp_path / "bare.jsonl"
    bare.write_bytes(b"\n".join([json.dumps(header).encode(), *rest]) + b"\n")
    done = call("replay", bare, "--grade")
    assert (done.exit_code, done.stderr) == (2, f"{bare}: {words}")


def test_a_tape_of_a_scenario_that_is_meant_to_be_quiet_passes(tmp_path):
    quiet, path = tmp_path / "quiet.toml", tmp_path / "quiet.jsonl.gz"
    quiet.write_text('like = "quiet-hour-base"\nduration_s = 120\n')
    assert call("invent", quiet, "-o", path).exit_code == 0
    for source in (quiet, path):
        done = call("replay", source, "--grade")
        assert (done.exit_code, done.stdout) == (0, "passed: 0 of 0 truth lines met, 0 false alerts\n")


def test_a_log_that_was_changed_is_played_and_said_to_be(log, played):
    data = bytearray(log.read_bytes())
    with contextlib.closing(sqlite3.connect(log)) as connection:
        n, block = connection.execute("SELECT n, data FROM raw WHERE stream = 'receiver' ORDER BY n DESC LIMIT 1").fetchone()
    data[data.index(block[:100]) + 50] ^= 1
    log.write_bytes(data)
    done = call("replay", log, "--json")
    assert (done.exit_code, done.stdout) == (0, played[1])
    (said,) = done.stderr.splitlines()
    assert said.startswith(f"{log}: row {n} of the chain (raw, receiver, t ")
    assert "is not as it was written: its digest does not fit: it was changed; run `witnesspost verify`" in said


def test_another_site_file_answers_what_would_have_sounded_and_says_what_differs(tmp_path, log):
    with LogFile.open(log) as file:
        text = file.run.site_toml
    site = tmp_path / "new.toml"
    site.write_text(text + "\n[rules.corrections-stopped]\non_delay_s = 9.0\n[rules.sky]\noff = true\n")
    done = call("replay", log, "--site", site, "--json")
    assert done.stderr.splitlines() == [
        "sky: in force in the run, not here",
        "corrections-stopped: on_delay_s is 9 here, 5 in the run",
    ]
    before, after = (
        json.loads(call("replay", *words, "--json").stdout.splitlines()[0])["t"] for words in ([log], [log, "--site", site])
    )
    places = {(c["run"], c["seq"]) for c in map(json.loads, done.stdout.splitlines()) if c["rule"] == "corrections-stopped"}
    assert places == {(None, None)}  # the log has none at that time
    # The rover's own age of corrections passes 5 s up to a second after the line is silent for 5 s.
    assert 2.8 <= after - before <= 4.2


def test_tapes_that_cannot_be_played_to_the_end(tmp_path, tape):
    lines = gzip.decompress(tape.read_bytes()).splitlines(keepends=True)
    broken = tmp_path / "broken.jsonl"
    broken.write_bytes(b"".join(lines[:20]) + b"not json\n" + b"".join(lines[20:]))
    assert f"{broken} line 21: is not JSON" in refused("replay", broken)
    broken.write_bytes(b"".join(lines[:20]) + lines[20][:30])
    assert f"{broken} line 21: the tape is cut off" in refused("replay", broken)
    broken.write_bytes(tape.read_bytes()[:3000])
    assert "cut off" in refused("replay", broken)


def test_one_rule_of_a_log_is_judged_alone(log, tape, tmp_path):
    whole = [json.loads(line) for line in call("replay", log, "--json").stdout.splitlines()]
    alone = [json.loads(line) for line in call("replay", log, "--rule", "Corrections-Stopped", "--json").stdout.splitlines()]
    assert alone
    assert [{**one, "alert": 0} for one in alone] == [
        {**one, "alert": 0} for one in whole if one["rule"] == "corrections-stopped"
    ]
    quiet = call("replay", log, "--rule", "sky")
    assert (quiet.stdout, quiet.stderr) == ("", "played to 120 s, and sky never sounded\n")

    assert refused("replay", log, "--rule", "voltage").startswith(
        "--rule voltage: there is no such rule; expected one of antenna-mismatch, "
    )
    assert refused("replay", log, "--rule", "fix-lots") == "--rule fix-lots: there is no such rule; did you mean fix-lost?"
    assert "--rule: " in (told := refused("replay", tape, "--rule", "sky"))
    assert "expected a log" in told
    assert "leave one of the two out" in refused("replay", log, "--rule", "sky", "--log", tmp_path / "out.db")
    with LogFile.open(log) as file:
        site = tomllib.loads(file.run.site_toml)
    other = tmp_path / "other.toml"
    other.write_text(tomli_w.dumps({**site, "rules": {"sky": {"off": True}}}))
    assert "sky: is switched off in the site file" in refused("replay", log, "--site", other, "--rule", "sky")


def test_sources_that_are_none(tmp_path, tape):
    assert "there is no such file" in refused("replay", tmp_path / "none.db")
    assert "did you mean quiet-hour-base" in refused("replay", "quiet-hour-bas")
    noise = tmp_path / "noise.db"
    noise.write_bytes(bytes(range(256)) * 20)
    assert "not an SQLite database" in refused("replay", noise)
    bare = tmp_path / "bare.jsonl"
    bare.write_text('{"tape": 1, "streams": ["corrections"]}\n')
    assert "--site" in refused("replay", bare)
    assert "cannot be read" in refused("replay", tape, "--site", tmp_path / "none.toml")


@pytest.fixture
def judged_with_a_grid(tmp_path, tape):
    """A log that was judged with a grid beside its site file, carried to the office: (log, where the grid is now)."""
    post, office = tmp_path / "post", tmp_path / "office"
    post.mkdir()
    office.mkdir()
    grid = write_gtx(post / "model.gtx", 38.0, -106.0, 0.5, 5, 5)
    table = tomllib.loads(site_text("rover", {"corrections": "loop://", "receiver": "loop://"}))
    table["project"] |= {"vertical": "geoid", "geoid": "model.gtx"}
    site = post / "site.toml"
    site.write_text(tomli_w.dumps(table))
    log = office / "kestrel-rover.0001.db"
    assert call("replay", tape, "--site", site, "--log", log).exit_code == 0
    return log, grid


def test_a_log_keeps_which_grid_it_was_judged_with(judged_with_a_grid, tmp_path):
    log, grid = judged_with_a_grid
    digest = subprocess.run(["b2sum", "-l", "256", grid], capture_output=True, text=True, check=True).stdout.split()[0]
    with LogFile.open(log) as read:
        assert read.grids() == [Grid("model.gtx", digest)]
    said = call("replay", log, "--json").stdout  # on the post itself the grid lies beside the site file
    assert said
    again = tmp_path / "again.db"
    carried = tmp_path / "carried"
    shutil.move(grid, carried.with_suffix(".gtx"))
    carried.mkdir()
    shutil.move(carried.with_suffix(".gtx"), carried / "model.gtx")
    assert call("replay", log, "--json", "--grids", carried, "--log", again).stdout == said
    with LogFile.open(again) as read:
        assert read.grids() == [Grid("model.gtx", digest)]
    shutil.copy(carried / "model.gtx", log.parent)
    assert call("replay", log, "--json").stdout == said


def test_a_grid_that_is_missing_or_another_ends_the_replay_and_is_named(judged_with_a_grid, tmp_path):
    log, grid = judged_with_a_grid
    grid.unlink()
    assert refused("replay", log) == (
        f"{log}: was judged with the grid 'model.gtx', which is missing here; "
        "put it beside the log, or name its folder with --grids"
    )
    another = write_gtx(log.parent / "model.gtx", 38.0, -106.0, 0.5, 5, 5, value=-17.6)
    assert refused("replay", log).startswith(f"{log}: was judged with another 'model.gtx' than {another} (")
    # the right one is taken where it lies behind another of the name
    right = tmp_path / "grids"
    right.mkdir()
    write_gtx(right / "model.gtx", 38.0, -106.0, 0.5, 5, 5)
    assert call("replay", log, "--grids", right).exit_code == 0
    assert "--grids: read" in refused("replay", log, "--grids", tmp_path / "nowhere")


def test_another_site_brings_its_own_grids(judged_with_a_grid, tmp_path):
    log, grid = judged_with_a_grid
    grid.unlink()
    site = tmp_path / "bundled.toml"
    site.write_text(site_text("rover", {"corrections": "loop://", "receiver": "loop://"}))
    assert call("replay", log, "--site", site).exit_code == 0


def test_a_log_wants_all_grids_of_its_folder(tmp_path, tape):
    post, office = tmp_path / "post", tmp_path / "office"
    (post / "grids").mkdir(parents=True)
    office.mkdir()
    for name in ("a", "b"):
        write_gtx(post / "grids" / f"{name}.gtx", 38.0, -106.0, 0.5, 5, 5, value=-17.0)
    (post / "grids" / "README").write_text("no grid")
    table = tomllib.loads(site_text("rover", {"corrections": "loop://", "receiver": "loop://"}))
    table["project"] |= {"grids": "grids"}
    site = post / "site.toml"
    site.write_text(tomli_w.dumps(table))
    log = office / "kestrel-rover.0001.db"
    said = call("replay", tape, "--site", site, "--log", log, "--json").stdout
    assert said
    with LogFile.open(log) as read:
        assert [grid.name for grid in read.grids()] == ["grids/a.gtx", "grids/b.gtx"]
    carried = tmp_path / "stick"
    shutil.move(post / "grids", carried)
    shutil.rmtree(post)
    assert "judged with the grid 'grids/a.gtx', which is missing here" in refused("replay", log)
    assert call("replay", log, "--json", "--grids", carried).stdout == said
    write_gtx(carried / "b.gtx", 38.0, -106.0, 0.5, 5, 5, value=-17.1)
    assert "judged with another 'grids/b.gtx' than" in refused("replay", log, "--grids", carried)


@pytest.mark.skipif(not Path("/usr/share/proj/CHENYX06_etrs.gsb").exists(), reason="proj-data is not installed")
def test_a_log_wants_the_grid_that_proj_found_on_the_post(tmp_path, tape, monkeypatch):
    found, office = tmp_path / "proj", tmp_path / "office"
    found.mkdir()
    office.mkdir()
    grid = found / "CHENyx06_ETRS.gsb"
    shutil.copy("/usr/share/proj/CHENYX06_etrs.gsb", grid)
    monkeypatch.setenv("PROJ_DATA", str(found))
    table = tomllib.loads(site_text("rover", {"corrections": "loop://", "receiver": "loop://"}))
    point = {"name": "KQ-1", "easting": 681234.5, "northing": 221234.5, "height": 480.0}
    table["project"] = {"frame": "EPSG:21781", "vertical": "geoid", "control": [point]}
    table["base"] = {"occupies": "KQ-1", "station_id": 417, "antenna_height_m": 1.843}
    site = tmp_path / "site.toml"
    site.write_text(tomli_w.dumps(table))
    log = office / "kestrel-rover.0001.db"
    said = call("replay", tape, "--site", site, "--log", log, "--json").stdout
    assert said
    with LogFile.open(log) as read:
        assert [kept.name for kept in read.grids()] == [str(grid)]
    assert call("replay", log, "--json").stdout == said
    carried = tmp_path / "stick"
    carried.mkdir()
    shutil.move(grid, carried)
    assert f"judged with the grid {str(grid)!r}, which is missing here" in refused("replay", log)
    assert call("replay", log, "--json", "--grids", carried).stdout == said


def test_a_file_of_figures_alone_is_told_from_a_broken_site_file(source, tape, tmp_path):
    figures = tmp_path / "figures.toml"
    figures.write_text("[rules.corrections-stopped]\nport_lost_s = 120\n")
    for played in (source, tape):
        line = refused("replay", played, "--site", figures)
        assert line.startswith(f"{figures}: has figures alone; expected a whole site file")
        assert "witnesspost season LOG --site" in line
    (tmp_path / "broken.toml").write_text('[post]\nname = "a"\n')
    assert "has figures alone" not in call("replay", tape, "--site", tmp_path / "broken.toml").stderr
