"""One TOML file as read: its values, where each stands, and what is wrong with it as TOML."""
