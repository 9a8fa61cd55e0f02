"""One unit's case: its run with what was measured after it, weighed beside the board's other units."""
