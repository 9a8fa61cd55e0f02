"""The fault campaign: real processes and sockets, one fault after another, judged at the instrument.

    python -m tests.campaign                  the whole; prints the table that is kept in harness/run/guard.md
python -m tests.campaign --sample         a sample, as in the test suite
python -m tests.campaign --only kills     one family: seams, kills, network, disk, fuzz
python -m tests.campaign --bounds         how fast: the guard's bounds at the instrument's socket

served    the virtual bench in a process of its own, which keeps its own record of messages and outputs
nursery   the real runner with the guard's process and a SQLite store, forked from a warm process a run
failing   what fails inside the runner or the guard: the N-th write, read, query, commit, spawn
proxy     the network in between: drops, stalls, halves, delays, doubles, cuts and swaps replies
judge     outputs left on, steps lost or doubled, replies given to the wrong question
lane      one bench, one nursery, one run at a time
faults    the families of faults; bounds and fuzz stand beside them
"""
