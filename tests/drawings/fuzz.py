"""Spoilt files of every format: whatever a file holds, reading it ends in a design or in our own errors.

    python tests/drawings/fuzz.py 1000000 [SEED]      a campaign; the first file that raises anything else is kept

Samples are those written for this project; with the real files beside the checkout, these too. A mutation flips, cuts,
repeats, swaps or inserts bytes, or lines; every tenth design that comes out is drafted into a board file as well.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))
PIECES = (
    b"\0",
    b"\xff",
    b"(",
    b")",
    b"<",
    b'"',
    b",",
    b";",
    b"\n",
    b"9" * 40,
    b"1e999",
    b"NaN",
    b"-",
    b"[Model]",
    b"CUST 9",
)


def samples(folder: Path, formats: Path | None) -> list[bytes]:
    """One of each format, small ones: a mutation should hit what matters."""
    import heron
    import test_d356
    import test_formats

    found = [test_d356.SAMPLE.encode(), test_formats.EDIF.encode(), test_formats.BSDL.encode()]
    found.append((HERE / "radio.ibs").read_bytes())
    found.append(b"* sample\n.param r=4.7k\nV1 vin 0 5\nR1 vin out {r}\nC1 out 0 100n\nRL out 0 10k\n.end\n")
    found.append(
        b'<?xml version="1.0"?><IPC-2581><Content><DictionaryStandard units="MILLIMETER"><EntryStandard id="A">'
        b'<RectCenter width="1" height="2"/></EntryStandard></DictionaryStandard></Content><Bom><BomItem '
        b'OEMDesignNumberRef="X"><RefDes name="R1" populate="true"/><Textual textualCharacteristicName="Value" '
        b'textualCharacteristicValue="4k7"/></BomItem></Bom><CadHeader units="INCH"/><Layer name="T" side="TOP" '
        b'layerFunction="SIGNAL"/><Profile><PolyBegin x="0" y="0"/><PolyStepSegment x="1" y="1"/></Profile>'
        b'<Component refDes="R1" layerRef="T"><Location x="1" y="2"/></Component><LogicalNet name="GND">'
        b'<PinRef componentRef="R1" pin="1"/></LogicalNet><LogicalNet name="+3V3"><PinRef componentRef="R1" pin="2"/>'
        b'</LogicalNet><LayerFeature layerRef="T"><Set net="GND"><Pad><Location x="1" y="2"/>'
        b'<StandardPrimitiveRef id="A"/><PinRef componentRef="R1" pin="1"/></Pad></Set></LayerFeature></IPC-2581>'
    )
    for style in ("plain", "german", "ranges", "french", "nameless"):
        files = heron.STYLES[style](folder)
        found += [
            files["bom"].read_bytes()[:3000],
            files["places"].read_bytes()[:2000],
            files["netlist"].read_bytes()[:3000],
        ]
    if formats is not None:
        found += [file.read_bytes()[:6000] for file in sorted(formats.glob("*.i*"))]
    return found


def spoilt(raw: bytes, draw: random.Random) -> bytes:
    """The sample with one to four mutations."""
    data = bytearray(raw)
    for _ in range(draw.randint(1, 4)):
        if not data:
            break
        at, end = sorted((draw.randrange(len(data)), draw.randrange(len(data))))
        way = draw.randrange(8)
        if way == 0:
            data[at] = draw.randrange(256)
        elif way == 1:
            del data[at : min(end, at + 200)]
        elif way == 2:
            data[at:at] = data[at : min(end, at + 200)]
        elif way == 3:
            data[at:at] = draw.choice(PIECES)
        elif way == 4:
            del data[at:]
        elif way == 5:
            data[at] ^= 1 << draw.randrange(8)
        else:
            rows = bytes(data).split(b"\n")
            first, second = draw.randrange(len(rows)), draw.randrange(len(rows))
            rows[first], rows[second] = rows[second], rows[first] if way == 6 else rows[second]
            data = bytearray(b"\n".join(rows))
    return bytes(data)


def campaign(count: int, seed: int, formats: Path | None = None, *, tell: bool = False) -> Counter[str]:
    """How the readings ended: "read", "refused". Raises AssertionError with the file for anything else."""
    from wakeboard.harness.describe.problems import FileProblems
    from wakeboard.harness.drawings.boardfile.draft import drafted
    from wakeboard.harness.drawings.readers import read
    from wakeboard.harness.drawings.reading import fit_chips
    from wakeboard.harness.drawings.source import from_bytes

    draw, ends = random.Random(seed), Counter[str]()
    with tempfile.TemporaryDirectory() as folder:
        known = samples(Path(folder), formats)
    began = time.monotonic()
    for number in range(count):
        raw = spoilt(draw.choice(known), draw)
        try:
            design = read(from_bytes("spoilt", raw))
            if number % 10 == 0:
                fit_chips(design)
                drafted(design, "Spoilt").text.encode("utf-8")
            ends["read"] += 1
        except FileProblems as error:
            ends["silent"] += not str(error).strip()
            ends["refused"] += 1
        except BaseException:
            kept = Path(tempfile.gettempdir()) / f"spoilt-{seed}-{number}"
            kept.write_bytes(raw)
            print(f"after {number} files: {kept}", file=sys.stderr)
            raise
        if tell and number % 1_000 == 999:
            print(f"{number + 1}: {dict(ends)}, {time.monotonic() - began:.0f} s", flush=True)
    return ends


if __name__ == "__main__":
    there = HERE.parents[2] / "shared" / "formats"
    chosen = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    print(dict(campaign(int(sys.argv[1]), chosen, there if there.is_dir() else None, tell=True)))
