"""Review: the design as drawn, solved in every combination of supplies, switched rails and driven lines."""
