"""The situations of practice, each a test: what is expected is what is said. `python -m tests.proof.practice` has the table.

Every second one is a slow test: together they take a minute of one core, which the fast suite has not.
"""

import pytest

from tests.proof.practice import answer
from tests.proof.situations import ALL

PLAYED = [*ALL[::2], *(pytest.param(situation, marks=pytest.mark.slow) for situation in ALL[1::2])]


@pytest.mark.parametrize("situation", PLAYED, ids=lambda one: one.name)
def test_what_is_said_is_what_practice_expects(situation):
    one = answer(situation)
    assert one.right, f"{one.raised}: " + "; ".join(one.wrong)
