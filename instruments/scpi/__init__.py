"""Supply, meter, relays and oscilloscope over a link, by the dialect that each speaks."""
