"""The store: what a run leaves behind, safe from the moment a step is committed; written, read, migrated."""
