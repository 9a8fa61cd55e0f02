"""Is the bench fit to judge a board? Before a run, before full voltage, and what its supplies take to switch off."""
