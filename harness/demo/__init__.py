"""The demo: Skep's five units on the virtual bench, from the review to the report."""
