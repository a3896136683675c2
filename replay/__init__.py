"""After the fact: tapes, the player, invented streams, scenarios and their grading."""
