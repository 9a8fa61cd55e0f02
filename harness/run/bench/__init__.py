"""The bench that a run works on: opened, probed, switched off, held to its dialects."""
