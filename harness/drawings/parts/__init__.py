"""From a reference and a value to a part: kinds, values, the part book, pins."""
