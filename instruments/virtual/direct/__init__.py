"""The ports of instruments/ports.py on the virtual instruments themselves, without their command languages.

What is measured and switched is the same hardware (output, meter, relays) with the same errors, ranges and protections,
and the same accuracy tables judge the readings; left out are the texts that a driver and an instrument would exchange.
Only for a bench on which every change is settled at once (instant.py).
"""
