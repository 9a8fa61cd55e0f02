"""Pin tables of processors (TOML)."""
