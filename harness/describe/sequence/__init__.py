"""The sequence file: what a step kind is, the steps in order, and what must have happened before each."""
