"""A place is said in a type of its own: geocentric, local or geographic, never a bare triple of numbers."""

import re
from pathlib import Path

from witnesspost.rules.coordinates import Enu

TREE = Path(__file__).parents[2]


def test_no_signature_takes_or_gives_a_bare_triple():
    bare = [
        f"{path.relative_to(TREE)}:{number}"
        for room in ("rules", "daemon", "replay")
        for path in sorted((TREE / room).rglob("*.py"))
        for number, line in enumerate(path.read_text().splitlines(), 1)
        if re.search(r"\btuple\[float, float, float\]", line) and not line.startswith("Vector = ")
    ]
    # Angles and range of a satellite: no place on the ground, and no two axes of it in metres.
    assert [where for where in bare if not where.startswith("replay/world/sky.py:")] == []


def test_the_types_are_a_leaf():
    text = (TREE / "rules" / "coordinates.py").read_text()
    assert "import witnesspost" not in text
    assert "from witnesspost" not in text


def test_limits_count_in_plan_and_in_height_each_by_itself():
    """3, 4, 5: a corner of the square is out, and the limit itself is in."""
    assert Enu(3.0, -4.0, -2.0).within(5.0, 2.0)
    assert not Enu(3.0, -4.001, 0.0).within(5.0, 2.0)
    assert not Enu(0.0, 0.0, -2.001).within(5.0, 2.0)
    assert Enu(7.0, 1.0, -2.0).less(Enu(4.0, 5.0, 1.0)) == Enu(3.0, -4.0, -3.0)
