"""One part for another out of the part book."""
