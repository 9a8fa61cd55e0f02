"""What lasts: the store, the ledger of units, statistics, comparison, reports."""
