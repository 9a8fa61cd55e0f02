"""Faults and repairs in the words of a colleague."""
