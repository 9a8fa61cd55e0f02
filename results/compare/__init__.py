"""Units side by side, before and after a rework, and over time."""
