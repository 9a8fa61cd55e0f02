"""The design under study: its rails, what supplies each in which state, and what was found out of it once."""
