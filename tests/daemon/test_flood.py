"""A line that floods: whatever one sender does, time goes on, the other lines are kept, and memory is bounded."""

import pytest

from tests.proof.flood import PATTERNS, flooded


@pytest.mark.slow
@pytest.mark.parametrize("pattern", PATTERNS)
def test_a_flood_starves_nobody(tmp_path, pattern):
    assert flooded(tmp_path, pattern, 8.0).wrong == []
