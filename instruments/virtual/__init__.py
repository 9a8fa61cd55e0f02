"""The virtual bench: instruments that speak SCPI and load one circuit."""
