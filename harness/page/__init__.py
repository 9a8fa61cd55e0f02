"""The page beside the bench: what is on, what to do, the last reading large; results of units. See page.md."""
