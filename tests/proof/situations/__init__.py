"""Situations from survey practice with the answer that a surveyor expects, written down before any of them was run.

`ground` has the places and their truth, `shift` makes a crew's day as bytes, `case` says what a situation is and judges
the answer; the other modules hold the situations. Importing `ALL` gathers them.
"""

from tests.proof.situations import (
    base_days,
    doubt,
    journeys,
    links,
    networks,
    receivers,
    right_bases,
    right_rovers,
    right_streams,
    wrong_bases,
    wrong_rovers,
    wrong_streams,
)
from tests.proof.situations.case import Situation

ALL: tuple[Situation, ...] = tuple(
    situation
    for module in (
        right_bases,
        right_rovers,
        right_streams,
        networks,
        wrong_bases,
        wrong_rovers,
        wrong_streams,
        doubt,
        receivers,
        base_days,
        links,
        journeys,
    )
    for situation in module.BOOK.situations
)
"""All of them."""
