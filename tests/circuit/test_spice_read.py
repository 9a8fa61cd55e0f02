"""The netlist reader: numbers, lines, parameters, sub-circuits, models, and one clear error for what is malformed.

Conventions are those of the ngspice manual (numbers and suffixes: chapter "Numbers"; comments and continuation: "Some
notation", parameters: ".param", sub-circuits: ".subckt"); the operating points of models are held against ngspice in
test_spice_ngspice.py.
"""

from __future__ import annotations

import contextlib
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wakeboard.instruments.virtual.circuit import Circuit, CircuitError, Part, Variant
from wakeboard.instruments.virtual.circuit.spice.expression import number
from wakeboard.instruments.virtual.circuit.spice.read import read
from wakeboard.instruments.virtual.circuit.spice.text import NetlistError


def parts(*lines: str) -> dict[str, Part]:
    return {part.name: part for part in read("\n".join(["title", *lines])).parts}


def volts(net: str, *lines: str) -> float:
    circuit = Circuit(parts(*lines).values())
    return float(circuit.compile().solve([Variant()]).require().net(net)[0])


# --- numbers ----------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1", 1.0), ("-2.5", -2.5), (".5", 0.5), ("5.", 5.0), ("1e-3", 1e-3), ("1E3", 1e3), ("+4", 4.0),
        # the scale factors of the manual; MEG and MIL are not M
        ("1T", 1e12), ("1G", 1e9), ("1meg", 1e6), ("1Meg", 1e6), ("1K", 1e3), ("1mil", 25.4e-6), ("1m", 1e-3),
        ("1M", 1e-3),
        ("1u", 1e-6), ("1n", 1e-9), ("1p", 1e-12), ("1f", 1e-15), ("1F", 1e-15),
        # letters after a scale factor, or in its place, mean nothing
        ("10uF", 10e-6), ("10V", 10.0), ("1kHz", 1e3), ("4.7kOhm", 4.7e3), ("1e3k", 1e6), ("100nH", 100e-9),
        # both letters that look like micro
        ("10µF", 10e-6), ("10μF", 10e-6),
    ],
)  # fmt: skip
def test_number(text: str, value: float) -> None:
    assert number(text) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize(
    "text", ["", "k", "4k7", "1..2", "e3", "1e999", "--1", "1 2", "0x10", "1_000", "nan", "inf", "٣"]
)
def test_no_number(text: str) -> None:
    assert number(text) is None


# --- lines ------------------------------------------------------------------------------------------------------------
def test_title_comments_and_continuation() -> None:
    text = (
        "R9 a 0 9k is the title\n* comment\nR1 a\n* between\n+ b ; the value follows\n+ 2k $ kilo\n\n   \nR2 b 0 3k\n"
    )
    found = {part.name: part for part in read(text).parts}
    assert set(found) == {"R1", "R2"}
    assert found["R1"].values["value"] == 2e3
    assert found["R1"].pins == {"1": "a", "2": "b"}


def test_lines_end_as_on_any_system() -> None:
    for end in ("\n", "\r\n", "\r"):
        assert len(read(end.join(["t", "R1 a 0 1k", "R2 a 0 2k", ".end"])).parts) == 2


def test_nothing_after_end_is_read() -> None:
    assert set(parts("R1 a 0 1k", ".end", "R2 a 0 2k", "nonsense")) == {"R1"}


def test_control_section_and_analyses_are_passed_over() -> None:
    assert set(
        parts("R1 a 0 1k", ".op", ".tran 1u 1m", ".control", "run", "X9 what ever", ".endc", ".options a=1")
    ) == {"R1"}


def test_case_is_folded() -> None:
    # SPICE: names are case-insensitive; two spellings are one net
    assert volts("Out", "V1 IN 0 3", "r1 in Out 1k", "R2 OUT gnd 2k") == pytest.approx(2.0, rel=1e-6)


def test_ground_has_three_spellings() -> None:
    found = parts("R1 a 0 1k", "R2 b GND 1k", "R3 c gnd 1k")
    assert {part.pins["2"] for part in found.values()} == {"GND"}
    assert read("t\nR1 a 0 1k", ground="VSS").parts[0].pins["2"] == "VSS"


def test_net_named_as_the_ground_but_not_node_0() -> None:
    with pytest.raises(NetlistError, match=r"line 2.*VSS has the name of the circuit's ground"):
        read("t\nR1 a VSS 1k", ground="VSS")


def test_nets_with_signs_keep_their_names() -> None:
    assert parts("R1 +3V3 /RST# 1k")["R1"].pins == {"1": "+3V3", "2": "/RST#"}


# --- sources ----------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("line", "value"),
    [("V1 a 0 5", 5.0), ("V1 a 0 DC 5", 5.0), ("V1 a 0 dc=5", 5.0), ("V1 a 0", 0.0), ("V1 a 0 AC 1", 0.0),
     ("V1 a 0 DC 5 AC 1 0", 5.0), ("V1 a 0 2 PULSE(0 5 1n)", 2.0), ("V1 a 0 PULSE(0 5 1n) DC 3", 3.0),
     ("V1 a 0 -1.5m", -1.5e-3)],
)  # fmt: skip
def test_direct_part_of_a_source(line: str, value: float) -> None:
    assert parts(line)["V1"].values["volts"] == pytest.approx(value)


def test_current_flows_through_the_source_from_its_first_node() -> None:
    # SPICE: a positive current leaves the first node, through the source, for the second
    assert volts("a", "I1 0 a 1m", "R1 a 0 1k") == pytest.approx(1.0, rel=1e-6)
    assert volts("a", "I1 a 0 1m", "R1 a 0 1k") == pytest.approx(-1.0, rel=1e-6)


def test_several_side_by_side() -> None:
    found = parts(
        "R1 a 0 1k m=2", "C1 a 0 1u m=3", "L1 a 0 1m m=4", "I1 a 0 1m m=5", "D1 a 0 d m=2", ".model d d(is=1e-14 rs=1)"
    )
    assert found["R1"].values["value"] == 500
    assert found["C1"].values["value"] == pytest.approx(3e-6)
    assert found["L1"].values["value"] == pytest.approx(0.25e-3)
    assert found["I1"].values["amps"] == pytest.approx(5e-3)
    assert found["D1"].values["saturation"] == pytest.approx(2e-14)
    assert found["D1"].values["ohms"] == pytest.approx(0.5)


# --- parameters -------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("text", "value"),
    [("2+3*4", 14.0), ("(2+3)*4", 20.0), ("2^3", 8.0), ("2**3", 8.0), ("-2+5", 3.0), ("1k/2", 500.0), ("sqrt(16)", 4.0),
     ("min(2,3)+max(2,3)", 5.0), ("ln(exp(2))", 2.0), ("log(exp(2))", 2.0), ("log10(1000)", 3.0), ("2*pi", 2 * math.pi),
     ("10u*1meg", 10.0), ("pow(2,0.5)", math.sqrt(2)), ("abs(-3)", 3.0), ("2e3", 2e3)],
)  # fmt: skip
def test_expression(text: str, value: float) -> None:
    for written in (f"{{{text}}}", f"'{text}'"):
        assert parts(f"V1 a 0 {written}")["V1"].values["volts"] == pytest.approx(value, rel=1e-12)


def test_parameters_in_any_order_and_bare() -> None:
    found = parts(
        "R1 a 0 {twice}",
        "R2 a 0 is",
        ".param twice = 2*one one=1k is = (one + 1k) * 2",
        ".PARAM lambda={one/4}",
        "R3 a 0 {LAMBDA}",
    )
    assert [part.values["value"] for part in found.values()] == [2e3, 4e3, 250.0]


def test_parameters_that_chase_one_another() -> None:
    with pytest.raises(NetlistError, match=r"line 3.*no parameter 'b'"):
        parts("R1 a 0 {a}", ".param a={b} b={c} c={a}")


def test_a_parameter_of_the_outside_does_not_stand_in_for_one_of_the_inside() -> None:
    found = parts(
        ".param size=1k",
        "X1 a 0 s",
        ".subckt s p n",
        "R1 p n {twice}",
        ".param twice={2*size} size=5k",
        ".ends",
        "R2 a 0 {size}",
    )
    assert found["X1_R1"].values["value"] == 10e3
    assert found["R2"].values["value"] == 1e3


# --- sub-circuits -----------------------------------------------------------------------------------------------------
def test_nested_sub_circuits_with_parameters() -> None:
    lines = [
        ".param top=1k",
        ".subckt divider in out PARAMS: upper=1k lower={top}",
        "Xup in out leg ohms={upper}",
        "Xdown out 0 leg ohms={lower}",
        ".subckt leg a b ohms=1",
        "R1 a mid {ohms/2}",
        "R2 mid b {ohms/2}",
        ".ends leg",
        ".ends divider",
        "V1 in 0 9",
        "X1 in one divider upper=2k lower=1k",
        "X2 in two divider upper={2*top}",
        "X3 in three divider",
    ]
    found = parts(*lines)
    assert found["X1_Xup_R1"].values["value"] == 1e3
    assert found["X1_Xup_R1"].pins == {"1": "in", "2": "X1_Xup_mid"}
    assert volts("one", *lines) == pytest.approx(3.0, rel=1e-6)
    assert volts("two", *lines) == pytest.approx(3.0, rel=1e-6)
    assert volts("three", *lines) == pytest.approx(4.5, rel=1e-6)


def test_inner_net_and_an_outer_one_of_the_same_flat_name_stay_apart() -> None:
    found = parts(".subckt s p", "R1 p n 1k", "R2 n 0 1k", ".ends", "X1 a s", "R3 a X1_n 1k")
    assert found["X1_R1"].pins["2"] != found["R3"].pins["2"]


def test_models_are_found_outwards_and_read_in_the_instance() -> None:
    found = parts(
        ".model d d(is={size})", ".param size=1e-14",
        ".subckt s p", "D1 p 0 d", "D2 p 0 own", ".model own d(is={size*3})", ".ends",
        "X1 a s", "X2 a s2", ".subckt s2 p size=2e-14", "D1 p 0 d", ".ends",
    )  # fmt: skip
    assert found["X1_D1"].values["saturation"] == pytest.approx(1e-14)
    assert found["X1_D2"].values["saturation"] == pytest.approx(3e-14)
    assert found["X2_D1"].values["saturation"] == pytest.approx(2e-14)


# --- models -----------------------------------------------------------------------------------------------------------
def test_diode_model() -> None:
    found = parts("D1 a k dx 2", "D2 a k dx area=3", ".model DX D (IS=1n N=1.8 RS=2 CJO=4p TT=1n)")
    assert found["D1"].kind == "diode"
    assert dict(found["D1"].values) == pytest.approx({"saturation": 2e-9, "emission": 1.8, "ohms": 1.0})
    assert found["D2"].values["saturation"] == pytest.approx(3e-9)
    assert found["D1"].pins == {"A": "a", "K": "k"}


def test_diode_with_breakdown_is_a_zener() -> None:
    zener = parts("D1 0 k z", ".model z d(is=1e-14 bv=5.1 ibv=5m rs=7)")["D1"]
    assert zener.kind == "zener"
    assert zener.values["volts"] == pytest.approx(5.1 + 5e-3 * 7)


def test_transistor_models() -> None:
    found = parts(
        "Q1 c b e n1", "Q2 c b e 0 p1 2", "M1 d g s s nm w=10u l=1u", "M2 d g s s pm",
        ".model n1 npn(is=1e-15 bf=200 br=3 vaf=80)", ".model p1 pnp(is=2e-15)",
        ".model nm nmos(level=1 kp=20u vto=0.7 lambda=0.02)", ".model pm pmos(vto=-0.9 kp=2 w=1 l=1)",
    )  # fmt: skip
    assert dict(found["Q1"].values) == {
        "type": "npn",
        "saturation": 1e-15,
        "gain": 200.0,
        "reverse_gain": 3.0,
        "early": 80.0,
    }
    assert found["Q2"].values["saturation"] == pytest.approx(4e-15)
    assert found["Q2"].values["type"] == "pnp"
    assert found["M1"].values["beta"] == pytest.approx(200e-6)
    assert found["M2"].values["channel"] == "p"
    assert found["M2"].values["threshold"] == pytest.approx(0.9)
    assert found["M2"].values["beta"] == pytest.approx(2.0)


def test_series_resistance_of_a_transistor_becomes_a_part() -> None:
    found = parts("Q1 c b 0 m", ".model m npn(rc=2 re=1)", "M1 d g 0 0 n", ".model n nmos(vto=1 rd=0.5)")
    assert found["Q1_rc"].pins == {"1": "c", "2": found["Q1"].pins["C"]}
    assert found["Q1_re"].values["value"] == 1.0
    assert found["Q1"].pins["B"] == "b"
    assert found["M1"].pins["D"] == found["M1_rd"].pins["2"] != "d"


def test_what_parts_cannot_say_is_said() -> None:
    whole = read("t\nQ1 c b e m\nQ2 c b e m\n.model m npn(bf=100 ikf=0.1 nf=1 cje=3p)\n")
    assert whole.left_out == ["line 4: ikf=0.1 of model m", "line 4: cje=3p of model m: not of an operating point"]


# --- what is malformed ------------------------------------------------------------------------------------------------
BAD = [
    ("R1 a", "line 2: R1 needs 2 nodes, found 1"),
    ("R1 a 0", "line 2: R1 has no value"),
    ("R1 a 0 4k7", "line 2: no number in '4k7'"),
    ("R1 a 0 -5", "line 2: R1 must be above zero"),
    ("R1 a 0 0", "line 2: R1 must be above zero"),
    ("R1 a 0 1e999", "line 2: no number"),
    ("R1 a 0 {lod}\n.param load=1k", "line 2: no parameter 'lod'; nearest: load"),
    ("R1 a 0 {1/0}", "line 2: no number in '{1/0}' .*zero"),
    ("R1 a 0 {2 +}", "line 2: no number .*not well formed"),
    ("R1 a 0 {sin}", "line 2: no parameter 'sin'"),
    ("R1 a 0 {open('x')}", "line 2: "),
    ("R1 a 0 {9^9^9^9}", "line 2: no number"),
    ("R1 a 0 {(-8)^0.5}", "line 2: no number"),
    ("R1 a 0 {1k", "line 2: { without its partner"),
    ("R1 a 0 1k\nr1 b 0 2k", "line 3: r1 stands twice in the netlist, first in line 2"),
    ("+ R1 a 0 1k", "line 2: a continuation line"),
    ("D1 a 0", "line 2: D1 names no model"),
    ("D1 a 0 dx\n.model dy d", "line 2: D1 names no known model: 'dx'; nearest: dy"),
    ("D1 a 0 q\n.model q npn", "line 2: D1 needs a model of type d, q is npn"),
    ("D1 a 0 d\n.model d d(is=0)", "line 3: is of d must be above zero"),
    ("D1 a 0 d\n.model d d(is=1e-14 rs=-1)", "line 3: rs of d is below zero"),
    ("Q1 c b", "line 2: Q1 needs 3 nodes"),
    ("Q1 c b e n\n.model n npn(bf=0)", "line 3: bf of n must be above zero"),
    ("M1 d g s b n\n.model n nmos(vto=1)", "line 2: M1: body on its own net"),
    ("M1 d g s s n\n.model n nmos(vto=-1)", "line 2: n is a depletion type"),
    ("M1 d g s s n\n.model n nmos(level=54)", "line 2: n is a level 54 transistor"),
    ("X1 a b", "line 2: X1 names no known sub-circuit: 'b'"),
    ("X1", "line 2: X1 names no sub-circuit"),
    ("X1 a dividr\n.subckt divider a b\n.ends", "line 2: X1 names no known sub-circuit: 'dividr'; nearest: divider"),
    ("X1 a s\n.subckt s a b\nR1 a b 1k\n.ends", "line 2: X1 joins 1 net to s, which has 2 ports"),
    ("X1 a s\n.subckt s a\nX2 a s\n.ends", "line 4: sub-circuit s contains itself"),
    ("X1 a s\n.subckt s a\nX2 a t\n.ends\n.subckt t a\nX3 a s\n.ends", "line 7: sub-circuit s contains itself"),
    (".subckt s a\nR1 a 0 1k", "line 2: .subckt s has no .ends"),
    (".subckt", "line 2: .subckt needs a name"),
    ("R1 a 0 1k\n.ends", "line 3: .ends without .subckt"),
    (".model d", "line 2: .model needs a name and a type"),
    (".param", "line 2: .param sets nothing"),
    (".modle d d", "line 2: unknown directive .modle; nearest: .model"),
    (".include parts.lib", "line 2: .include is not read: put the file's lines"),
    (".global vcc", "line 2: .global is not read"),
    ("V1 a 0 SIN(0 1 1k)", "line 2: V1: only DC sources are read, found SIN"),
    ("V1 a 0 DC", "line 2: V1: no value after DC"),
    ("E1 a 0 b 0 2", "line 2: element letter 'E' is not read; R C L V I D Q M X are"),
    ("K1 L1 L2 0.9", "line 2: element letter 'K' is not read"),
    ("?", "line 2: element letter"),
    ("=5", "line 2: element letter"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "says"), BAD, ids=[text.replace("\n", " / ") for text, _ in BAD])
def test_one_clear_error(text: str, says: str) -> None:
    with pytest.raises(NetlistError, match=says) as caught:
        read("title\n" + text)
    assert isinstance(caught.value, CircuitError)
    assert caught.value.line >= 2
    assert "\n" not in str(caught.value)


def test_the_error_names_the_element() -> None:
    with pytest.raises(NetlistError) as caught:
        read("t\nV1 a 0 5\nR7 a 0 zz\n")
    assert caught.value.parts == ("R7",)
    assert caught.value.line == 3


def test_a_netlist_that_unfolds_without_end_is_refused() -> None:
    # ten instances in each of seven levels: ten million parts
    levels = [[f".subckt s{k} a", *(f"X{n} a s{k + 1}" for n in range(10)), ".ends"] for k in range(7)]
    text = "\n".join(
        ["t", *(line for level in levels for line in level), ".subckt s7 a", "R1 a 0 1k", ".ends", "X a s0"]
    )
    with pytest.raises(NetlistError, match="more than 20000 parts"):
        read(text)


# --- circuits that cannot be solved -----------------------------------------------------------------------------------
UNSOLVABLE = [
    ("V1 a 0 5\nR1 a 0 1k\nR2 b c 1k\nR3 c b 2k", ("R2", "R3"), "nets b, c .*no path to GND"),
    ("V1 a 0 5\nV2 a 0 3\nR1 a 0 1k", ("V1", "V2"), "loop of ideal voltage sources between a and GND"),
    ("V1 a 0 5\nV2 b a 3\nV3 b 0 1\nR1 a 0 1k", ("V1", "V2", "V3"), "V3 closes a loop"),
    ("V1 a 0 5\nC1 a b 1u\nC2 b 0 1u", ("C1", "C2"), "net b .*only capacitors connect it"),
    ("I1 0 a 1m\nC1 a 0 1u", ("I1", "C1"), "current source I1 drives into an open"),
    ("V1 a 0 5\nR1 a 0 1k\nV2 b c 5", ("V2",), "nets b, c .*no path to GND"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "named", "says"), UNSOLVABLE, ids=[u[0].replace("\n", " / ") for u in UNSOLVABLE])
def test_unsolvable_circuits_name_their_parts(text: str, named: tuple[str, ...], says: str) -> None:
    with pytest.raises(CircuitError, match=says) as caught:
        Circuit(read("t\n" + text).parts).compile()
    assert set(named) <= set(caught.value.parts)
    assert "R1" not in caught.value.parts


# --- anything at all --------------------------------------------------------------------------------------------------
TOKENS = """R1 r1 C1 L1 V1 I1 D1 Q1 M1 X1 a b c 0 GND 1k 10u {x} 'x' {1/0} {x*2} -5 m=2 area=0 dm qm nm µ .model .subckt
.ends .param .end .control .endc params: d npn nmos s x=1 x = ( ) , + * ; $ { } is=1e-14 bv=5 w=1u level=1 DC AC PULSE(0
{((1))}"""
WORDS = st.sampled_from([*TOKENS.split(), "\n", "\n", "\n", "\n\n", "\t"])
LINE_LIKE = st.lists(WORDS, max_size=60).map(" ".join)


@settings(max_examples=300, deadline=None)
@given(st.one_of(st.text(max_size=200), LINE_LIKE, LINE_LIKE.map(lambda text: "t\nX1 a s\n.subckt s p\n" + text)))
def test_any_text_is_read_or_refused_with_one_error(text: str) -> None:
    with contextlib.suppress(CircuitError):
        if found := read(text).parts:
            Circuit(found).compile()


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet="0123456789.eE+-*/^() kmuabx,", max_size=40))
def test_any_expression_has_a_value_or_one_error(text: str) -> None:
    with contextlib.suppress(NetlistError):
        assert math.isfinite(parts(f"V1 a 0 {{{text}}}")["V1"].values["volts"])
