"""The situations of practice, each a test: what is expected is what is said. `python -m tests.proof.practice` has the table.

Every fourth one is a quick test, every fourth a slow one, the rest are long: all of them take over two minutes of one core.
"""

import pytest

from tests.proof.practice import answer
from tests.proof.situations import ALL

MARKS = ([], [pytest.mark.slow], [pytest.mark.long], [pytest.mark.long])
PLAYED = [pytest.param(situation, marks=MARKS[number % 4]) for number, situation in enumerate(ALL)]


@pytest.mark.parametrize("situation", PLAYED, ids=lambda one: one.name)
def test_what_is_said_is_what_practice_expects(situation):
    one = answer(situation)
    assert one.right, f"{one.raised}: " + "; ".join(one.wrong)
