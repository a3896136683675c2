"""One page of all posts, in the office."""
