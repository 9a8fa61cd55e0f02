"""Nothing of a netlist is dropped in silence: what is not used is listed, what cannot be read is refused, all at once.

Values on the right are what ngspice 39.3 prints for the same netlist (test_against_ngspice asks it anew).
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from wakeboard.instruments.virtual.circuit import Circuit, Variant
from wakeboard.instruments.virtual.circuit.spice.read import read
from wakeboard.instruments.virtual.circuit.spice.text import NetlistError

READ = """every way to say a value that was dropped before
v1 vdd 0 5
r1 vdd n1 1k
m1 n1 vdd 0 0 mm w=10u l=2u
.model mm nmos(vto=1 uo=500 tox=20n ld=0.2u rsh=100 lambda=0.01)
r2 vdd n2 1k
m2 n2 vdd 0 0 mm w=10u l=2u nrd=2 nrs=3
r3 vdd n3 1k
m3 n3 vdd 0 0 m3 w=10u l=2u nrd=2 nrs=3
.model m3 nmos(vto=1 tox=20n rsh=100)
r4 vdd n4 1k
m4 n4 vdd 0 0 m4 w=10u l=2u
.model m4 nmos(vto=1 kp=3e-5 tox=20n uo=900 rsh=100 rd=10)
r5 vdd n5 2k scale=2 m=4
r6 n5 0 1k
x1 n6 vdd rr m=2
r7 n6 0 1k
.subckt rr a b q={p*2} p=1k
r1 a b {q}
.ends
x2 n7 vdd rr p=3k
r8 n7 0 1k
"""
WANT = {"n1": 2.2778, "n2": 2.754192, "n3": 2.802927, "n4": 3.868462, "n5": 2.5, "n6": 2.5, "n7": 0.7142857}


def volts(text: str) -> dict[str, float]:
    points = Circuit(read(text).parts).compile().solve([Variant()]).require()
    return {net: float(points.net(net)[0]) for net in WANT}


def test_every_value_counts() -> None:
    assert volts(READ) == pytest.approx(WANT, rel=2e-6)


@pytest.mark.ngspice
@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed (Debian: ngspice)")
def test_against_ngspice(tmp_path: Path) -> None:
    file = tmp_path / "deck.cir"
    prints = "\n".join(f"print v({net})" for net in WANT)
    file.write_text(f"{READ}.control\nop\n{prints}\n.endc\n.end\n")
    done = subprocess.run(["ngspice", "-b", str(file)], capture_output=True, text=True, timeout=60, check=False)
    found = {net: float(v) for net, v in re.findall(r"^v\((\w+)\) = +(\S+)$", done.stdout, re.MULTILINE)}
    assert volts(READ) == pytest.approx(found, rel=2e-6)


def test_what_is_not_used_is_listed() -> None:
    text = """R9 a b 1k
r1 a 0 1k tc1=0.1
v1 a 0 dc 5 sin(0 1 1k)
d1 a 0 dd off
.model dd d(is=1e-14 cjo=1p)
m1 a a 0 0 mm ad=1p
.model mm nmos(vto=1 kp=1e-4 tox=20n)
x1 a sub zz=3
.subckt sub a
r1 a 0 1k
.ends
.param k=1
.param k=2
.temp 85
.tran 1m 1
.control
run
.endc
.end
r2 a 0 1k
"""
    assert read(text).left_out == [
        "line 1: the title is 'R9 a b 1k', which is not read as a part",
        "line 12: k=1, set again in line 13",
        "line 14: .temp 85",
        "line 15: .tran 1m 1",
        "line 16: a .control block, up to .endc",
        "line 20: what stands after .end",
        "line 2: tc1=0.1 of r1",
        "line 3: sin 0 1 1k of v1",
        "line 5: cjo=1p of model dd: not of an operating point",
        "line 4: off of d1",
        "line 6: ad=1p of m1",
        "line 7: tox=2e-08 of model mm: no part in kp here, as in SPICE",
        "line 8: zz=3 of x1: sub has no use for it",
    ]


def test_all_that_cannot_be_read_is_told_at_once() -> None:
    bad = """title
r1 a b 2,2k
r2 a b 1k foo
r3 a b {2^3^2}
d1 a b nomodel
x9 a b none
.weird
v2 a 0 5 6
r4 a b 1k valeu=3
z1 a b
r5 a b 1k
"""
    with pytest.raises(NetlistError) as caught:
        read(bad)
    assert [each.line for each in caught.value.all] == [2, 3, 4, 5, 6, 7, 8, 9, 10]
    for words in ("'2,2k' has a comma; use a point", "'foo' has no meaning", "needs brackets", "'6' has no meaning"):
        assert words in str(caught.value)
    assert caught.value.line == 2


REFUSED = (".model m d(is=1e-14,5)", ".model m d\n.model m d", ".subckt s a\n.ends\n.subckt s a\n.ends", ".param x=1,5")


@pytest.mark.parametrize("line", REFUSED)
def test_more_that_is_refused(line: str) -> None:
    with pytest.raises(NetlistError):
        read(f"t\nr1 a 0 1k\n{line}\n")
