"""Where things are on the board, and pictures of it."""
