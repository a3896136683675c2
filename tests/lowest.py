"""`python -m tests.lowest`: pip constraints that hold every dependency at the lowest version that pyproject.toml allows."""

import re
import tomllib
from pathlib import Path

_BOUNDS = re.compile(r"(?P<name>[\w-]+)>=(?P<lowest>[\w.]+)(,<(?P<above>[\w.]+))?(\s*;.*)?")
_YEAR = re.compile(r"20\d\d\.\d+")


def bounds(project: dict) -> dict[str, tuple[str, str | None]]:
    """Lowest version and the first one that is not allowed, by dependency; ValueError where one has no such bounds.

    Data that has its year for a version breaks nobody's calls: it needs no second bound.
    """
    found = {}
    extras = project["optional-dependencies"].values()
    for requirement in (*project["dependencies"], *(one for extra in extras for one in extra)):
        said = _BOUNDS.fullmatch(requirement)
        if said is None or (said["above"] is None and not _YEAR.fullmatch(said["lowest"])):
            raise ValueError(f"{requirement!r} in pyproject.toml: expected NAME>=LOWEST,<ABOVE")
        if found.setdefault(said["name"], (said["lowest"], said["above"])) != (said["lowest"], said["above"]):
            raise ValueError(f"{said['name']!r} stands in pyproject.toml with two ranges")
    return found


if __name__ == "__main__":
    project = tomllib.loads(Path("pyproject.toml").read_text())["project"]
    for name, (lowest, _) in bounds(project).items():
        print(f"{name}=={lowest}")
