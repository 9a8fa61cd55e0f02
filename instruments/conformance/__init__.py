"""Does an instrument do what its dialect says? One suite for each kind."""
