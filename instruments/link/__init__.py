"""The one way to an instrument: an address, a lock, a resource, bytes with a deadline, replies into values."""
