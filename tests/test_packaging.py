"""What is installed: the right files, dependencies within true bounds, beside distributions whose names are our rooms'."""

import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests import TREE
from tests.lowest import bounds

TOP = Path(__file__).parents[1]
PYPROJECT = tomllib.loads((TOP / "pyproject.toml").read_text())
ROOMS = ("rules", "daemon", "replay")


def version(text: str) -> tuple[int, ...]:
    return tuple(int(part) for part in re.findall(r"\d+", text.partition(".post")[0]))


def test_every_dependency_has_a_lowest_version_and_a_version_above_which_nothing_is_known():
    for name, (lowest, above) in bounds(PYPROJECT["project"]).items():
        assert above is None or version(lowest) < version(above), name


@pytest.mark.parametrize("requirement", ["click", "click>=8", "click<9", "click>=9,!=9.1,<10"])
def test_a_dependency_without_both_bounds_is_named(requirement):
    with pytest.raises(ValueError, match=re.escape(repr(requirement))):
        bounds({"dependencies": [requirement], "optional-dependencies": {}})


def test_the_tested_versions_are_within_the_bounds_and_leave_none_out():
    lines = [line for line in (TOP / "systemd" / "constraints.txt").read_text().splitlines() if not line.startswith("#")]
    tested = dict(line.split("==") for line in lines)
    project = PYPROJECT["project"]
    wanted = bounds({**project, "optional-dependencies": {"gpio": project["optional-dependencies"]["gpio"]}})
    assert wanted.keys() <= tested.keys()
    for name, (lowest, above) in wanted.items():
        assert version(lowest) <= version(tested[name]), name
        assert above is None or version(tested[name]) < version(above), name


def test_every_room_is_installed():
    rooms = [path.parent.relative_to(TOP) for room in ROOMS for path in (TOP / room).rglob("__init__.py")]
    assert sorted(PYPROJECT["tool"]["setuptools"]["packages"]) == sorted(
        ".".join(("witnesspost", *room.parts)) for room in rooms
    )
    assert {path.parent.relative_to(TOP) for room in ROOMS for path in (TOP / room).rglob("*.py")} == set(rooms)


def shipped() -> set[str]:
    """What a post needs: modules, what the type checker asks for, the geoid, catalogues, scenarios and their grids."""
    kinds = {".py", ".z", ".toml", ".gtx", ".typed", ".css", ".js", ".po"}
    return {
        f"witnesspost/{path.relative_to(TOP)}"
        for room in ROOMS
        for path in (TOP / room).rglob("*")
        if path.suffix in kinds or path.name == "py.typed"
    }


@pytest.mark.slow
def test_it_lives_beside_distributions_named_daemon_and_rules(tmp_path):
    """`python-daemon` and `rules` own the top-level names `daemon` and `rules`: before and after ours, and gone again.

    Installed from the network. The command line says each time what the tree says.
    """
    source = tmp_path / "source"
    for room in ROOMS:
        shutil.copytree(TOP / room, source / room, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(TOP / name, source)
    play = ["replay", "rover-radio-other-frequency", "--json"]
    tree = {**os.environ, "PYTHONPATH": TREE}
    expected = run([sys.executable, "-m", "witnesspost.daemon", *play], env=tree)
    assert len(expected.splitlines()) >= 3

    place = tmp_path / "venv"
    run([sys.executable, "-m", "venv", place])
    python, pip = place / "bin" / "python", [place / "bin" / "pip", "--quiet", "--disable-pip-version-check"]
    others = ["python-daemon", "rules"]
    alone = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}

    def lives() -> None:
        assert run([place / "bin" / "witnesspost", *play], env=alone, cwd=tmp_path) == expected

    def owners() -> dict[str, list[str]]:
        script = "import json, importlib.metadata as m; print(json.dumps(m.packages_distributions()))"
        return json.loads(run([python, "-c", script], env=alone, cwd=tmp_path))

    run([*pip, "install", *others])
    run([*pip, "install", "-c", TOP / "systemd" / "constraints.txt", source])
    assert owners()["daemon"] == ["python-daemon"]
    assert owners()["rules"] == ["rules"]
    assert owners()["witnesspost"] == ["witnesspost"]
    lives()
    run([*pip, "uninstall", "--yes", *others])
    assert owners().keys().isdisjoint(ROOMS)
    lives()
    run([*pip, "install", *others])
    lives()

    script = "import importlib.metadata as m; print(*m.files('witnesspost'), sep='\\n')"
    files = run([python, "-c", script], env=alone, cwd=tmp_path).splitlines()
    assert {file for file in files if file.startswith("witnesspost/") and not file.endswith(".pyc")} == shipped()


def run(command: list, **more) -> str:
    """What the command says; where it fails, what it complained of."""
    done = subprocess.run(command, capture_output=True, text=True, check=False, **more)
    assert done.returncode == 0, done.stderr
    return done.stdout
