"""The situations of practice, each a test: what is expected is what is said. `python -m tests.proof.practice` has the table."""

import pytest

from tests.proof.practice import answer
from tests.proof.situations import ALL


@pytest.mark.parametrize("situation", ALL, ids=lambda one: one.name)
def test_what_is_said_is_what_practice_expects(situation):
    one = answer(situation)
    assert one.right, f"{one.raised}: " + "; ".join(one.wrong)
