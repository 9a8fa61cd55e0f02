"""The packaged part book: generic families, as TOML."""
