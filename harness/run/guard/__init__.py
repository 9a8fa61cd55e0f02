"""The guard: it owns the supply from first to last, and cuts the power whatever else happens.

    core      the trip rules: a pure function of samples, no clock, no instrument
    owner     Guard: arms, ramps, samples and switches supplies off; the same in both shells
    local     the shell on a virtual clock, in this process
    process   the shell on a real bench: a process of its own that holds the only session to the supply
    client    the runner's side of that process; takes over when it dies

This is no safety function in the sense of IEC 61508 and claims no integrity level: a PC, an operating system and a LAN
stand between a trip and the output relay. The supply's own limit and protections, a fuse and a person who is present
come first.
"""
