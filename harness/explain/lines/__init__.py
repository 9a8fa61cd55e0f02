"""A line that sits where it should not: what drives it, the hidden pull behind it, the bodge that holds it."""
