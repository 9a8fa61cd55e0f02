"""What a person runs: describe, run, review, rehearse, explain, and the command line."""
