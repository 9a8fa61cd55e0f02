"""A SCPI instrument as manuals describe it: the command tree, data, status, the error queue."""
