"""Goes on measuring until one explanation is left: on a bench, by hand, or with what a person types."""
