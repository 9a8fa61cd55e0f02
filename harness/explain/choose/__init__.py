"""Which measurement tells most with the least effort, and which bench states are safe to take it in."""
