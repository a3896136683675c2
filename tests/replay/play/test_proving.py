"""`witnesspost prove` and `invent` as a person calls them."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from witnesspost.daemon.cli import main
from witnesspost.replay.play.proving import Job, all_scenarios, prove_one, run, scenario_row
from witnesspost.replay.world.scenario import scenario
from witnesspost.rules.engine.engine import Engine

WRONG = Path(__file__).parent / "scenarios" / "wrong-truth.toml"


def call(*words):
    return CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=False)


def test_proof_of_two_scenarios_with_two_seeds():
    done = call("prove", "radio-sheet:protocol-differs", "tilt:pole-too-far-over", "--seeds", 2)
    assert done.exit_code == 0
    lines = done.output.splitlines()
    assert lines[2] == "| `radio-sheet` | 2 | 2 (100.0 %) | 2 (100.0 %) | 0.0 s | 0.0 s | 0.00 |"
    assert lines[3].startswith("| `tilt` | 2 | 2 (100.0 %) | 2 (100.0 %) | 3.")
    assert "| `tilt` | `pole-too-far-over` | pole-too-far-over 2 |" in lines
    assert lines[-1] == "4 runs, 0.1 hours played, 0 failed"


def test_two_processes_say_the_same_as_one():
    one, two = (call("prove", "radio-sheet", "--jobs", jobs).output for jobs in (1, 2))
    assert one == two
    assert "6 runs" in one


def test_a_wrong_truth_line_fails_the_proof_and_is_named():
    done = call("prove", WRONG)
    assert done.exit_code == 1
    assert done.output.startswith("wrong-truth seed 17:\n    wrong cause: corrections-stopped (port-lost) raised in")
    assert "| `corrections-stopped` | `port-lost` | line-silent 1 |" in done.output


def test_the_table_of_scenarios_has_what_they_are_to_raise(tmp_path):
    table = tmp_path / "table.md"
    names = ("tilt:pole-too-far-over", "tilt:quiet-close-to-the-limit")
    assert call("prove", *names, "--table", str(table)).exit_code == 0
    rows = [
        "| `tilt:pole-too-far-over` | rover | 2 min | The pole leans 22 degrees, for a corner that cannot be reached. "
        "| `tilt` (pole-too-far-over) |",
        "| `tilt:quiet-close-to-the-limit` | rover | 2 min | The pole leans 1.4 degrees: plumb, by its bubble. | nothing |",
    ]
    assert table.read_text().splitlines()[2:] == rows == [scenario_row(scenario(name)) for name in names]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("prove", "tiltt"), "there is no such scenario file; did you mean tilt"),
        (("prove", "tilt:quiet-close-to-the-limit", "--table", "/proc/none/x.md"), "cannot be written: No such file"),
        (("prove", "tilt:nothing"), "variant 'nothing': there is none of that name"),
        (("invent", "tilt", "-o", "x.jsonl"), "variants; expected one of tilt:sensor-not-aligned"),
        (("invent", "tilt:pole-too-far-over", "-o", "/proc/none/x.jsonl"), "cannot be written: No such file"),
    ],
)
def test_what_cannot_be_done_is_one_line_and_status_2(words, says):
    done = call(*words)
    assert done.exit_code == 2
    (line,) = done.stderr.splitlines()
    assert says in line


def test_a_job_is_graded_as_its_scenario():
    one = scenario("radio-sheet:quiet-same")
    assert prove_one(Job(one, 5)).grade.passed


@pytest.mark.slow
@pytest.mark.parametrize("told", list(all_scenarios())[::48], ids=lambda told: told.name)
def test_rules_that_are_not_asked_would_have_found_nothing(told, monkeypatch):
    told.duration_s = min(told.duration_s, 600.0)
    with monkeypatch.context() as patch:
        judge = Engine.judge
        patch.setattr(Engine, "judge", lambda engine, t: (engine.ask_all(), judge(engine, t))[1])
        always_asked = run(told).changes
    assert run(told).changes == always_asked


def test_right_practice_is_counted_apart():
    done = call(
        "prove", "right-practice:new-antenna-height", "right-practice:antenna-height-by-the-tape", "radio-sheet:quiet-same"
    )
    assert done.exit_code == 0
    assert done.output.splitlines()[-2:] == ["right practice: 2 of 2 quiet", "3 runs, 0.1 hours played, 0 failed"]
    assert "right practice" not in call("prove", "radio-sheet:quiet-same").output


def test_right_practice_is_not_quiet_where_more_than_a_note_is_said_and_be_it_expected(tmp_path):
    path = tmp_path / "right-practice.toml"
    path.write_text(
        'note = "x"\nlike = "quiet-hour-base"\nduration_s = 60\n[[event]]\ndo = "base-off"\nat_s = 20\nfor_s = 20\n'
    )
    done = call("prove", path)
    assert done.exit_code == 1
    assert done.output.splitlines()[-2:] == ["right practice: 0 of 1 quiet", "1 runs, 0.0 hours played, 0 failed"]
