"""What was read, and what a board with a given fault would have read, each with what is not known of it."""
