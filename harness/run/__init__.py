"""Taking one unit through one sequence: the runner, its steps, the guard that cuts the power, and the decisions."""
