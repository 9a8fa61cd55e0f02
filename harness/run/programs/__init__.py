"""A program of the user beside a run, and the leash that it runs on."""
