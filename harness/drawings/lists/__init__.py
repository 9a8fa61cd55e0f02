"""Lists of parts and of places in any language: which column holds what."""
