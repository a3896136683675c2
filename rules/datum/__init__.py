"""Judging coordinates: frames, geoid, the causes of a difference, ranked. Loads PROJ."""
