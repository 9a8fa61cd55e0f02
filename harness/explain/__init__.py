"""Explain: what accounts for the odd readings, what to measure next, which bodge mends it.

`lines` and `bodge` need readings and what is known to be fitted; `rank` and `next` are plain probability; `predict`
joins them to the circuit; `explaining.explain_run` is the entry for the command line, the demo and the report.
"""
