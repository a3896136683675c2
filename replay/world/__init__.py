"""The invented world, and the streams that it makes."""
