"""The circuit in time: one stage that all share, its clock, a simulation without transients, lines that toggle."""
