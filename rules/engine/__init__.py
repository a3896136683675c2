"""The engine: what a rule is, the scene it looks at, an alert's life, and which alert explains which."""
