"""What shows and sounds: patterns, outputs, the button."""
