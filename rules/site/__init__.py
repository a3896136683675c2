"""The site file: its model, and how it is read."""
