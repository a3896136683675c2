"""The sub-commands that look back or invent, one module each."""
