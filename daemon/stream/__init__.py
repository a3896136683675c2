"""From a port to facts: chunks, frames, sentences."""
