"""A store copied to a shared server, and the proof that it arrived."""
