"""The person at the bench: questions, probing with both hands, clearance before an output goes on."""
