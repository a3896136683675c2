"""From logs to a decision that a person can sign: which points can be kept, repaired, or must be observed again."""
