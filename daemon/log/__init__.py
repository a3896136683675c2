"""The log: one SQLite file a run, what is in it, and how it is written, read and proven."""
