"""The invented Friday with 412 points: the contract's proof, whole."""

import pytest
from click.testing import CliRunner
from witnesspost.replay.commands.points import points
from witnesspost.replay.world.scenario import scenario

from tests.replay.conftest import invented


@pytest.mark.slow
def test_of_412_points_each_verdict_is_allowed_and_each_repair_as_near_as_it_says(tmp_path):
    told = scenario("friday-with-412-points")
    log = invented(tmp_path, told, tmp_path / "friday.csv")
    result = CliRunner().invoke(points, [str(log), "--points", str(tmp_path / "friday.csv"), "--grade", "-o", "-"])
    assert result.exit_code == 0, result.stderr
    assert "passed: 0 wrong verdicts, 0 of them keep" in result.stderr
    assert "412 points" in result.stderr
    assert "ground scale: by the factor 1.00069000 about the grid's origin" in result.stderr
    counts = {name: int(n) for n, name in (part.split() for part in result.stderr.split("\n")[1].split(", "))}
    assert counts["repair"] > 80
    assert counts["keep"] > 80
    assert counts["observe-again"] > 80
