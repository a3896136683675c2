"""The invented Friday with 412 points: the contract's proof, whole."""

import shutil

import pytest
from click.testing import CliRunner
from witnesspost.replay.commands.invent import invent
from witnesspost.replay.commands.points import points
from witnesspost.replay.world.scenario import FOLDER, scenario

from tests.replay.conftest import invented


@pytest.mark.slow
def test_of_412_points_each_verdict_is_allowed_and_each_repair_as_near_as_it_says(tmp_path):
    told = scenario("friday-with-412-points")
    log, _ = invented(tmp_path, told, tmp_path / "friday.csv")
    result = CliRunner().invoke(points, [str(log), "--points", str(tmp_path / "friday.csv"), "--grade", "-o", "-"])
    assert result.exit_code == 0, result.stderr
    assert "passed: 0 wrong verdicts, 0 of them keep" in result.stderr
    assert "412 points" in result.stderr
    assert "ground scale: by the factor 1.00069000 about the grid's origin" in result.stderr
    counts = {name: int(n) for n, name in (part.split() for part in result.stderr.split("\n")[1].split(", "))}
    assert counts["repair"] > 80
    assert counts["keep"] > 80
    assert counts["observe-again"] > 80


def test_invent_writes_the_points_that_its_crew_stored_beside_the_tape(tmp_path):
    source = tmp_path / "short.toml"
    shutil.copy(FOLDER / "kestrel.gtx", tmp_path)
    source.write_text('like = "friday-with-412-points"\nduration_s = 240\n[controller]\npoints = 2\nafter_s = 60\n')
    tape, field = tmp_path / "day.jsonl", tmp_path / "day.csv"
    done = CliRunner().invoke(invent, [str(source), "-o", str(tape), "--points", str(field)])
    assert done.exit_code == 0, done.output
    assert done.output.endswith(f" lines; {field}: 2 points, {tmp_path / 'day.truth.csv'}: their truth\n")
    assert len(field.read_text().splitlines()) == 3
    assert len((tmp_path / "day.truth.csv").read_text().splitlines()) == 3
    again = CliRunner().invoke(invent, [str(source), "-o", str(tmp_path / "again.jsonl"), "--points", str(field)])
    assert (again.exit_code, again.output) == (2, f"{field}: exists; name a file that does not exist\n")
