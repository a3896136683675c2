"""What the post tells the office by way of a broker, and what the office shows of it."""
