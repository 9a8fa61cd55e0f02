"""The ledger: what was done to which unit, what was found, and what to change in the next revision."""
