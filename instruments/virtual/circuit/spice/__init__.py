"""SPICE netlists, read into parts and written from them."""
