"""The situations of practice, each a test: what is expected is what is said. `python -m tests.proof.practice` has the table."""

from pathlib import Path

import pytest

from tests.proof.practice import answer
from tests.proof.situations import ALL

NOT_YET = Path(__file__).parent / "proof/situations/not-yet.txt"
"""Names of situations that are not right yet, one a line: a name goes when its situation is right, and none comes."""


def _open() -> frozenset[str]:
    return frozenset(NOT_YET.read_text().splitlines()) if NOT_YET.exists() else frozenset()


@pytest.mark.parametrize("situation", [one for one in ALL if one.name not in _open()], ids=lambda one: one.name)
def test_what_is_said_is_what_practice_expects(situation):
    one = answer(situation)
    assert one.right, f"{one.raised}: " + "; ".join(one.wrong)


def test_only_situations_are_named_as_not_right_yet():
    assert _open() <= {one.name for one in ALL}
