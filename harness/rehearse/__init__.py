"""Rehearse: the whole sequence on a virtual board with each fault planted, before a real board arrives."""
