"""IPC-2581, EDIF, BSDL and SPICE as drawings: real files against another count, samples written for the project."""

from __future__ import annotations

import gzip
from pathlib import Path
from xml.etree import ElementTree

import pytest

from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.drawings.boardfile.draft import drafted
from wakeboard.harness.drawings.readers import Options, read, table
from wakeboard.harness.drawings.source import from_bytes, opened

NS = "{http://webstds.ipc.org/2581}"


def text(sample: str) -> object:
    return read(from_bytes("sample", sample.encode()))


def test_a_real_2581_is_read_without_loss(formats: Path) -> None:
    """Against ElementTree: every component, every pin on a copper pad, its net, every mark for "not fitted"."""
    # counted independently in the file's own XML
    file = formats / "board.2581.xml.gz"
    root = ElementTree.fromstring(gzip.decompress(file.read_bytes()))
    copper = {f"{layer}" for layer in ("F.Cu", "B.Cu")}
    pins = {
        (ref.get("componentRef"), ref.get("pin"), group.get("net"))
        for feature in root.iter(NS + "LayerFeature")
        if feature.get("layerRef") in copper
        for group in feature.iter(NS + "Set")
        for ref in group.iter(NS + "PinRef")
    }
    design = read(opened(file))
    assert len(design.parts) == 59 == len(list(root.iter(NS + "Component")))
    mine = {(part.name, pin, net) for part in design.parts.values() for pin, net in part.pins.items()}
    assert mine == {each for each in pins if each[2] not in (None, "NC")}, "NC on J1.7: not connected"
    unfitted = {each.get("name") for each in root.iter(NS + "RefDes") if each.get("populate") == "false"}
    assert {part.name for part in design.parts.values() if part.fitted is False} == unfitted
    assert sum(1 for _ in root.iter(NS + "PinRef")) == 700, "the count of the notes on formats: all layers"
    assert drafted(design, "X").counts()["places"] <= 15


@pytest.mark.parametrize(
    ("sample", "says"),
    [
        ("<IPC-2581><!DOCTYPE", "not well-formed"),
        ('<!DOCTYPE a [<!ENTITY x "y">]><IPC-2581>&x;</IPC-2581>', "entity declaration"),
        ('<IPC-2581><CadHeader units="FURLONG"/><Component refDes="R1"/></IPC-2581>', 'units "FURLONG"'),
        ("<IPC-2581></IPC-2581>", "no component"),
        ('<IPC-2581><Component refDes="R1"><Location x="abc" y="1"/></Component></IPC-2581>', 'x = "abc"'),
    ],
)
def test_bad_xml_is_told_with_line_and_column(sample: str, says: str) -> None:
    with pytest.raises(FileProblems) as raised:
        text(sample)
    assert says in str(raised.value)
    assert "sample:1" in str(raised.value)


EDIF = """(edif (rename top "Sample") (edifVersion 2 0 0) (edifLevel 0) (keywordMap (keywordLevel 0))
 (library LIB (edifLevel 0) (technology (numberDefinition))
  (cell R (cellType GENERIC) (view N (viewType NETLIST) (interface
    (port &1 (direction INOUT)) (port &2 (direction INOUT)))))
  (cell LDO5 (cellType GENERIC) (view N (viewType NETLIST) (interface
    (port VIN (designator "1")) (port GND (designator "2")) (port EN (designator "3")) (port VOUT (designator "5")))))
  (cell J2 (cellType GENERIC) (view N (viewType NETLIST) (interface (port &1) (port &2))))
  (cell top (cellType GENERIC) (view N (viewType NETLIST) (interface)
   (contents
    (instance R1 (viewRef N (cellRef R (libraryRef LIB))) (property VALUE (string "4k7 1%")))
    (instance (rename U1_ "U1") (viewRef N (cellRef LDO5)) (property (rename VALUE "Value") (string "LDO 3.3V")))
    (instance J1 (viewRef N (cellRef J2)))
    (net (rename n1 "+3V3") (joined (portRef &1 (instanceRef R1)) (portRef VOUT (instanceRef U1_))))
    (net GND (joined (portRef &2 (instanceRef R1)) (portRef GND (instanceRef U1_)) (portRef &2 (instanceRef J1))))
    (net VBUS (joined (portRef &1 (instanceRef J1)) (portRef VIN (instanceRef U1_)) (portRef EN (instanceRef U1_))))
   ))))
 (design top (cellRef top (libraryRef LIB))))
"""


def test_edif_instances_properties_and_joined_ports() -> None:
    # invented sample in EDIF 2 0 0
    design = read(from_bytes("s.edn", EDIF.encode()))
    assert design.parts["R1"].pins == {"1": "+3V3", "2": "GND"}
    assert design.parts["R1"].value == "4k7 1%"
    assert design.parts["U1"].pins == {"5": "+3V3", "2": "GND", "1": "VBUS", "3": "VBUS"}
    assert design.parts["U1"].pin_names["5"] == "VOUT"
    draft = drafted(design, "S")
    assert draft.parts["U1"].table["kind"] == "ldo"
    assert draft.parts["U1"].table["volts"] == "3.3 V"
    assert [row.table["net"] for row in draft.proposal.supplies] == ["VBUS"]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("))))\n (design", ")\n (design", "never closes"),
        (
            "(instanceRef R1)) (portRef VOUT",
            "(instanceRef R9)) (portRef VOUT",
            'sample:13: column 37: found the instance "R9"',
        ),
        ("(contents", "(kontents", "no cell with contents"),
    ],
)
def test_bad_edif_is_told_with_line_and_column(old: str, new: str, says: str) -> None:
    assert old in EDIF
    with pytest.raises(FileProblems) as raised:
        text(EDIF.replace(old, new))
    assert says in str(raised.value)


BSDL = """-- a sample written for this project
entity WREN32 is
  generic (PHYSICAL_PIN_MAP : string := "QFP8");
  port (TDI, TMS, TCK : in bit; TDO : out bit; PA : inout bit_vector(0 to 1); VDD, VSS : linkage bit);
  use STD_1149_1_2001.all;
  constant QFP8 : PIN_MAP_STRING :=
    "TDI : 1, TMS : 2, TCK : 3, TDO : 4, " &
    "PA : (5, 6), VDD : 7, VSS : 8";
  attribute TAP_SCAN_IN of TDI : signal is true;
  attribute TAP_SCAN_CLOCK of TCK : signal is (1.0e6, BOTH);
end WREN32;
"""


def test_bsdl_pins_and_the_test_port() -> None:
    (chip,) = read(from_bytes("w.bsd", BSDL.encode()), Options(part="U1")).chips
    assert {number: pin.signal for number, pin in chip.pins.items()} == {
        "1": "TDI", "2": "TMS", "3": "TCK", "4": "TDO", "5": "PA_0", "6": "PA_1", "7": "VDD", "8": "VSS",
    }  # fmt: skip
    assert (chip.pins["7"].role, chip.pins["8"].role) == ("power", "ground")
    assert chip.pins["1"].note == "test port (IN)"
    assert (chip.pins["4"].io["type"], chip.pins["5"].io["type"], chip.part) == ("output", "io", "U1")


def test_a_bsdl_without_a_pin_map_is_refused() -> None:
    with pytest.raises(FileProblems, match="without a pin map"):
        text(BSDL.replace("PIN_MAP_STRING", "STRING"))


def test_spice_beside_a_list_of_places_makes_a_board() -> None:
    # invented sample
    netlist = "* sample\nV1 vin 0 5\nR1 vin out 4.7k\nC1 out 0 100n\nRL out 0 10k\n.end\n"
    design = read(from_bytes("s.cir", netlist.encode()))
    assert design.supplies == {"V1": ("vin", 5.0)}
    draft = drafted(design, "S")
    assert draft.parts["R1"].table == {"kind": "resistor", "pins": {"1": "vin", "2": "out"}, "value": "4.7 kΩ"}


def test_what_no_program_writes_is_refused_before_it_fills_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """100 MB of either took gigabytes: elements within one another without end, and a list of millions of lines."""
    deep = b'<?xml version="1.0"?><IPC-2581>' + b"<a>" * 1_000_000
    with pytest.raises(FileProblems) as found:
        read(from_bytes("deep.xml", deep), Options())
    assert "elements 200 deep" in str(found.value)
    monkeypatch.setattr(table, "MOST_LINES", 50)
    with pytest.raises(FileProblems) as found:
        read(from_bytes("long.csv", b"Reference,Value\n" + b"R1,4k7\n" * 60), Options())
    assert "long.csv:51: column 1: found more than 50 lines" in str(found.value)
