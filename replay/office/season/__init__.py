"""A season of logs, judged again by other figures: what would have sounded more, and what less."""
