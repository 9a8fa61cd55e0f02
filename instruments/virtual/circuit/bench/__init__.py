"""The board on its bench, said once: whoever needs the circuit with instruments on it takes it from here.

    figures.py    every number of the bench: resistance of leads, what an off supply leaves, meters, with the source
    parts.py      the bench's parts at a board: supplies, the meter, probes, a known resistor
    state.py      a bench state -> values of the circuit; one ohms test or one loaded net -> what is set and moved
    change.py     a board that differs from the drawn one (Change), and one operating point of its bench (Scene)
    stand.py      the compiled circuit on its bench, with the answers found so far
    unknowns.py   what is not known of the parts and of the bench, and how far each may be off
    slopes.py     what each unknown does to each reading, first order, at solved points
    spread.py     worst case and Monte Carlo over the unknowns

It knows nothing of boards' files: a state is anything with `supplies` (name -> volts, limit) and `pins` (pin -> level).
Import from the modules; this page imports nothing, since the parts' kinds take their defaults from figures.py.
"""
