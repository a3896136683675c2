"""The sub-commands, one module each, loaded only when called."""
