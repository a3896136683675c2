"""Playing again: tapes, sources, the player, grading."""
