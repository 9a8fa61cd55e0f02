"""Suspects, and how likely each is: screened, weighed with its values fitted, ranked alone and in pairs."""
