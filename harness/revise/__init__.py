"""The next revision, worked out before it is drawn: changes as a file, judged beside the board that they start from."""
