"""The files a person writes: read with positions, checked all at once, and turned into plain objects and a circuit."""
