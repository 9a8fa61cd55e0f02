"""An independent truth: boards as other makers' parts would make them, put on the product's virtual bench.

Written apart from instruments/virtual/circuit: own element equations, own Newton solver, own reading of the drawing
(netlist.py). Only what the drawing says (parts, pins, values), what a fault's text means, and the bench's instruments
are the product's. worlds.py draws what a drawing leaves open.
"""
