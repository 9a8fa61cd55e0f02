"""The board file: its tables, what ties them together, what looks like a slip, and the circuit that they make."""
