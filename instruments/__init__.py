"""Drivers over PyVISA and pySerial, dialects as data, and the virtual bench."""
