"""Data only: packaged sequences, the demo board, level, pull, prior and pin tables (TOML)."""
