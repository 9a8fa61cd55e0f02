"""Faults by their texts, what each does to a circuit, and which a circuit can have."""
