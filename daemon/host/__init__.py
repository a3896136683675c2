"""The machine around the post: service manager, journal, health, places."""
