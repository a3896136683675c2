"""The situations of practice, each a test: what is expected is what is said. `python -m tests.proof.practice` has the table.

Every fourth one is a quick test, the others are slow.
"""

import pytest

from tests.proof.practice import answer
from tests.proof.situations import ALL

PLAYED = [pytest.param(one, marks=[pytest.mark.slow] if number % 4 else []) for number, one in enumerate(ALL)]


@pytest.mark.parametrize("situation", PLAYED, ids=lambda one: one.name)
def test_what_is_said_is_what_practice_expects(situation):
    one = answer(situation)
    assert one.right, f"{one.raised}: " + "; ".join(one.wrong)
