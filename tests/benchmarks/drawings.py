"""How long a netlist takes to read and to become a board file, by number of pads.

Run: python tests/benchmarks/drawings.py. Times are of the processor, since other programs may run beside.

Synthetic IPC-D-356A: chains of two-pin parts on a grid, so that places, neighbours and nets are all there.
"""

from __future__ import annotations

import time

from wakeboard.harness.drawings.boardfile.draft import drafted
from wakeboard.harness.drawings.readers import read
from wakeboard.harness.drawings.source import from_bytes


def netlist(pads: int) -> bytes:
    """So many pads, two a part, each part on its neighbour's net; every hundredth net is ground."""
    rows = ["P  UNITS CUST 1"]
    for k in range(pads // 2):
        x, y = k % 300 * 2000, k // 300 * 1500
        for pin, net in ((1, f"N{k}" if k % 100 else "GND"), (2, f"N{k + 1}" if (k + 1) % 100 else "GND")):
            place = f"A01X{x + 900 * pin:+07d}Y{y:+07d}X0600Y0600R000 S1"
            rows.append(f"327{net:<14}   R{k:<5}-{pin}          {place}")
    return "\n".join([*rows, "999"]).encode()


def main() -> None:
    for pads in (10_000, 200_000):
        raw = netlist(pads)
        began = time.process_time()
        design = read(from_bytes("board.ipc", raw))
        told = time.process_time()
        print(
            f"{pads} pads: read in {told - began:.2f} s ({len(design.parts)} parts, {len(design.nets())} nets)",
            flush=True,
        )
        text = drafted(design, "Bench").text
        print(f"{pads} pads: drafted in {time.process_time() - told:.2f} s more ({len(text) // 1000} kB)", flush=True)


if __name__ == "__main__":
    main()
