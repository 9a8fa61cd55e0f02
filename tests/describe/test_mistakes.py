"""Every kind of mistake in a board or bench file: file, line, key, found, allowed, the nearest name."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wakeboard.harness.describe.files import check_files
from wakeboard.harness.describe.load import load_bench, load_board, load_sequence
from wakeboard.harness.describe.problems import FileProblems

SEEDED = settings(derandomize=True, deadline=None)  # the same examples every time

# (what stands there, what is written instead, lines below its first line, key, found, allowed, hint)
BOARD_MISTAKES = {
    "no unit": ('volts = "5 V"', 'volts = "5"', 0, "supplies.USB.volts", '"5"', "in V", ""),
    "a bare number": ('volts = "5 V"', "volts = 5", 0, "supplies.USB.volts", "5", "in V", ""),
    "another unit": ('budget = "500 mA"', 'budget = "500 mV"', 0, "supplies.USB.budget", '"500 mV"', "in A", ""),
    "a decimal comma": ('"2.6 V"', '"2,6 V"', 0, "target.above", '"2,6 V"', "in V", ""),
    "turned limits": ('"4.40 .. 5.25 V"', '"5.25 .. 4.40 V"', 0, "supplies.USB.range", "5.25", "limits", ""),
    "unknown key": ("budget =", "budgett =", 0, "supplies.USB.budgett", '"budgett"', "budget", '"budget"'),
    "unknown table": ("[links.console]", "[link.console]", 0, "link", '"link"', "links", '"links"'),
    "missing key": ('volts = "3.7 V"\n', "", -2, "supplies.CELL.volts", "nothing", "nominal voltage", ""),
    "a text for a table": (
        "[links.console]\nbaud = 115200",
        "[links]\nconsole = 1",
        1,
        "links.console",
        "1",
        "a table",
        "",
    ),
    "a number for a text": ('name = "Finch"', "name = 7", 0, "board.name", "7", "text in quotes", ""),
    "an empty name": ('name = "Finch"', 'name = ""', 0, "board.name", '""', "1 character", ""),
    "unknown choice": ('kind = "usb"', 'kind = "usc"', 0, "supplies.USB.kind", '"usc"', '"cell"', '"usb"'),
    "unknown level": (
        'released = "high"',
        'released = "hihg"',
        0,
        "lines.RST.when.released",
        '"hihg"',
        '"low"',
        '"high"',
    ),
    "a fraction for a whole number": (
        "bytes = 100",
        "bytes = 1.5",
        0,
        "target.streams[1].bytes",
        "1.5",
        "whole number",
        "",
    ),
    "nothing to send": ("bytes = 100", "bytes = 0", 0, "target.streams[1].bytes", "0", "greater than 0", ""),
    "a text for a list": ('boot_log = ["ready"]', 'boot_log = "ready"', 0, "target.boot_log", '"ready"', "a list", ""),
    # names
    "supply's net": ('net = "VUSB"', 'net = "VUSBB"', 0, "supplies.USB.net", '"VUSBB"', "VUSB", '"VUSB"'),
    "point's net": ('TP2 = { net = "RST"', 'TP2 = { net = "RTS"', 0, "points.TP2.net", '"RTS"', "RST", '"RST"'),
    "neighbour": ('[["VUSB", "GND"]]', '[["VUSB",\n"GNDD"]]', 1, "board.adjacent[1][2]", '"GNDD"', "GND", '"GND"'),
    "rail's source": ('from = "V33"', 'from = "V3"', 0, "rails.V33_S.from", '"V3"', "USB", '"V33"'),
    "rail's sources": ('["USB", "CELL"]', '["USB",\n"CEL"]', 1, "rails.V33.from[2]", '"CEL"', "CELL", '"CELL"'),
    "a rail that feeds itself": ('from = "V33"', 'from = "V33_S"', 0, "rails.V33_S.from", "no supply", "supply", ""),
    "switching pin": ('"U1.GPIO1" =', '"U1.GPOI1" =', 0, 'rails.V33_S.on_when."U1.GPOI1"', "GPOI1", "GPIO2", '"GPIO1"'),
    "driver's part": ('driven_by = "U1.SDA"', 'driven_by = "U9.SDA"', 0, "lines.SDA.driven_by", '"U9"', "U1", ""),
    "driver's pin": ('driven_by = "U1.SDA"', 'driven_by = "U1.SDB"', 0, "lines.SDA.driven_by", '"SDB"', "SDA", '"SDA"'),
    "driver elsewhere": ('"U1.GPIO2"\n', '"U1.GPIO1"\n', 0, "lines.RST.driven_by", "EN_S", "U1.GPIO2", '"U1.GPIO2"'),
    "no pin": ('driven_by = "U1.SDA"', 'driven_by = "U1"', 0, "lines.SDA.driven_by", '"U1"', "a pin", ""),
    "level standard": ('"lvcmos-3v3"', '"lvcmos-33"', 0, "lines.RST.levels", '"lvcmos-33"', "ttl", '"lvcmos-3v3"'),
    "level standard of another rail": ('"lvcmos-3v3"', '"ttl"', 0, "lines.RST.levels", "3.3 V", "4.5 V .. 5.5 V", ""),
    "thresholds that cross": (
        'levels = "lvcmos-3v3"',
        'levels = { low = "< 2 V", high = "> 1 V" }',
        0,
        "lines.RST.levels",
        "cross",
        "below",
        "",
    ),
    "half a threshold table": (
        'levels = "lvcmos-3v3"',
        'levels = { low = "< 2 V" }',
        0,
        "lines.RST.levels.high",
        "nothing",
        "high",
        "",
    ),
    "needs": ('bus = "i2c"', 'needs = ["UBS"]', 0, "lines.SDA.needs[1]", '"UBS"', "USB", '"USB"'),
    "target's part": ('part = "U1"', 'part = "U7"', 0, "target.part", '"U7"', "U1", ""),
    "target's rail": ('rail = "V33"', 'rail = "V34"', 0, "target.rail", '"V34"', "V33", '"V33"'),
    "target's link": (
        'part = "U1"',
        'part = "U1"\nlink = "konsole"',
        1,
        "target.link",
        "konsole",
        "console",
        '"console"',
    ),
    "an answer's need": (
        'needs = { "+3V3" =',
        'needs = { "+3V" =',
        0,
        'target.answers[1].needs."+3V"',
        "+3V",
        "VIN",
        '"+3V3"',
    ),
    "a reply's braces": (
        'reply = "finch"',
        'reply = "finch {volt}"',
        0,
        "target.answers[1].reply",
        "{volt}",
        "{volts}",
        "",
    ),
    "one name for two nets": ("TP2 = {", "USB = {", 0, "points.USB", '"USB"', "one name", ""),
    "a name that is another's net": ("TP2 = {", "VIN = {", 0, "points.VIN", '"VIN"', "its net's name", ""),
    "a nominal outside its range": (
        '"4.40 .. 5.25 V"',
        '"5.1 .. 5.25 V"',
        0,
        "supplies.USB.range",
        "5.1",
        "nominal",
        "",
    ),
    # parts
    "part kind": (
        'R1 = { kind = "resistor"',
        'R1 = { kind = "resister"',
        0,
        "parts.R1.kind",
        "resister",
        "ldo",
        '"resistor"',
    ),
    "no part kind": ('R1 = { kind = "resistor", ', "R1 = { ", 0, "parts.R1.kind", "nothing", "resistor", ""),
    "a bench's kind": ('R1 = { kind = "resistor"', 'R1 = { kind = "meter"', 0, "parts.R1.kind", '"meter"', "ldo", ""),
    "part value": ('value = "47k"', 'value = "47kk"', 0, "parts.R1.value", '"47kk"', "in Ω", ""),
    "negative ohms": ('value = "47k"', 'value = "-47k"', 0, "parts.R1.value", '"-47k"', "not below zero", ""),
    "no farads": ('value = "10 µF"', 'value = "0 F"', 0, "parts.C1", "above zero", "capacitor", ""),
    "no part value": ('value = "47k", ', "", 0, "parts.R1.value", "nothing", "resistance", ""),
    "unknown value": (
        'value = "47k"',
        'value = "47k", tolerace = "1 %"',
        0,
        "parts.R1.tolerace",
        "tolerace",
        "max",
        '"tolerance"',
    ),
    "part tolerance": ('tolerance = "20 %"', 'tolerance = "20"', 0, "parts.C1.tolerance", '"20"', "2 %", ""),
    "pin": ('{ A = "VBAT", K =', '{ A = "VBAT", C =', 0, "parts.D2.pins.C", '"C"', "A, K", ""),
    "absent pin": (', OUT = "+3V3", EN', ", EN", 0, "parts.U2.pins", "OUT", "OUT", ""),
    "too many nets": ('["RST", "GND"]', '["RST", "GND", "X"]', 0, "parts.R1.pins", "3 nets", "1 =", ""),
    "net's name": ('["RST", "GND"]', '["RST", "G ND"]', 0, "parts.R1.pins.2", '"G ND"', "a net", ""),
    "rating": (
        'max = { voltage = "10 V" }',
        'max = { volts = "10 V" }',
        0,
        "parts.C1.max.volts",
        "volts",
        "power",
        '"voltage"',
    ),
    "rating's unit": (
        'max = { voltage = "10 V" }',
        'max = { voltage = "10" }',
        0,
        "parts.C1.max.voltage",
        '"10"',
        "in V",
        "",
    ),
    "variant": ('variants = ["2.8 V"]', 'variants = ["2.8"]', 0, "parts.U2.variants[1]", '"2.8"', "in V", ""),
    "chip's pin": ("GPIO1 = { type", "GPI1 = { type", 0, "parts.U1.io.GPI1", '"GPI1"', "GPIO2", '"GPIO1"'),
    "chip's key": ('ohms = "40 Ω", max', 'ohm = "40 Ω", max', 0, "parts.U1.io.GPIO2.ohm", '"ohm"', "drive", '"ohms"'),
    "pin type": (
        'type = "open_drain"',
        'type = "opendrain"',
        0,
        "parts.U1.io.SDA.type",
        '"opendrain"',
        "analog",
        '"open_drain"',
    ),
    "pin's rail": ('type = "open_drain"', 'rail = "VDX"', 0, "parts.U1.io.SDA.rail", '"VDX"', "VDD", '"VDD"'),
    "supply current": ('draws = "8 mA ± 25 %"', 'draws = "8 V"', 0, "parts.U1.supply.VDD.draws", '"8 V"', "in A", ""),
    "part's name": ("R1 = {", '"R 1" = {', 0, 'parts."R 1"', '"R 1"', "letters", ""),
}

BENCH_MISTAKES = {
    "no such address": (
        '"TCPIP::192.0.2.11::5025::SOCKET"',
        '"TCPIP::192.0.2.11::SOCKET"',
        0,
        "instruments.meter.address",
        "192.0.2.11::SOCKET",
        "a VISA address",
        "",
    ),
    "dialect": (
        'kind = "dmm"',
        'kind = "dmm"\ndialect = "scpi-dm"',
        1,
        "instruments.meter.dialect",
        "scpi-dm",
        "scpi",
        "scpi-dmm",
    ),
    "another kind's dialect": (
        'kind = "dmm"',
        'kind = "dmm"\ndialect = "scpi-psu"',
        1,
        "instruments.meter.dialect",
        "for a dmm",
        "scpi-dmm",
        "",
    ),
    "kind": ('kind = "dmm"', 'kind = "meter"', 0, "instruments.meter.kind", '"meter"', '"psu"', ""),
    "address": (
        'address = "TCPIP::192.0.2.11::5025::SOCKET"\n',
        "",
        -2,
        "instruments.meter.address",
        "nothing",
        "VISA",
        "",
    ),
    "supply": ('1 = "USB"', '1 = "UBS"', 0, "instruments.supply.feeds.1", '"UBS"', "CELL", '"USB"'),
    "fed twice": ('2 = "CELL"', '2 = "USB"', 0, "instruments.supply.feeds.2", "feeds already", "one channel", ""),
    "a meter that feeds": ('kind = "psu"', 'kind = "dmm"', 2, "instruments.supply.feeds", "dmm", '"psu"', ""),
    "point": ("TP1 = 101", "TP11 = 101", 0, "probing.routes.TP11", '"TP11"', "TP1", '"TP1"'),
    "channel": ("TP1 = 101", "TP1 = 1.5", 0, "probing.routes.TP1", "1.5", "a channel", ""),
    "channel twice": ('TP2 = "102"', "TP2 = 101", 0, "probing.routes.TP2", "101", "a channel for each", ""),
    "bleed": ('ohms = "10k ± 1 %"', 'ohms = "10"', 0, "probing.bleed.ohms", '"10"', "in Ω", ""),
    "bleed's channel": ("route = 110", "route = 101", 0, "probing.bleed.route", "101", "its own", ""),
    "by": ('by = "scanner"', 'by = "scaner"', 0, "probing.by", '"scaner"', '"hand"', '"scanner"'),
    "no scanner": ('kind = "scanner"', 'kind = "dmm"', 4, "probing.by", "0 scanners", "scanner", ""),
    "link": ("[links.console]", "[links.consol]", 0, "links.consol", '"consol"', "console", '"console"'),
    "date": (
        "calibrated = 2026-01-31",
        'calibrated = "soon"',
        0,
        "instruments.meter.calibrated",
        '"soon"',
        "a date",
        "",
    ),
    "dates": (
        "calibrated = 2026-01-31",
        "calibrated = 2026-01-31\ndue = 2025-01-31",
        1,
        "instruments.meter.due",
        "2025",
        "after",
        "",
    ),
}


def only_problem(load, folder, name, mistake):
    old, new, below, key, found, allowed, hint = mistake
    line = folder.edit(name, old, new) + below
    with pytest.raises(FileProblems) as caught:
        load(folder / name)
    problems = caught.value.problems
    assert [problem.key for problem in problems] == [key]
    (problem,) = problems
    assert (problem.file, problem.line) == (str(folder / name), line)
    assert found in problem.found
    assert allowed in problem.allowed
    assert hint in problem.hint
    assert bool(hint) <= bool(problem.hint)
    text = str(problem)
    assert text.startswith(f"{folder / name}:{line}: {key}: found ")


@pytest.mark.parametrize("mistake", BOARD_MISTAKES.values(), ids=BOARD_MISTAKES)
def test_a_mistake_in_a_board(folder, mistake):
    only_problem(load_board, folder, "board.toml", mistake)


@pytest.mark.parametrize("mistake", BENCH_MISTAKES.values(), ids=BENCH_MISTAKES)
def test_a_mistake_in_a_bench(folder, mistake):
    board = load_board(folder / "board.toml")
    only_problem(lambda file: load_bench(file, board), folder, "bench.toml", mistake)


def test_the_good_files_are_good(folder):
    board = load_board(folder / "board.toml")
    bench = load_bench(folder / "bench.toml", board)
    assert bench.supplies == {"USB": ("supply", "1"), "CELL": ("supply", "2")}
    assert bench.probing.routes == {"TP1": "101", "TP2": "102"}
    assert bench.probing.bleed.ohms.nominal == 10e3
    assert bench.scanner.name == "switch"
    assert [each.name for each in bench.of_kind("dmm")] == ["meter"]


def test_all_mistakes_are_told_at_once(folder, texts):
    """One mistake of each kind that stands in a text of its own: each is reported, none hides another."""
    text, expected = texts["board.toml"], []
    names = [
        "no unit",
        "unknown key",
        "unknown level",
        "part kind",
        "part tolerance",
        "pin",
        "chip's key",
        "point's net",
    ]
    for name in [*names, "driver elsewhere", "rail's source", "target's rail", "missing key"]:
        old, new, _, key, *_ = BOARD_MISTAKES[name]
        assert text.count(old) == 1
        text = text.replace(old, new)
        expected.append(key)
    (folder / "board.toml").write_text(text, encoding="utf-8")
    with pytest.raises(FileProblems) as caught:
        load_board(folder / "board.toml")
    assert sorted(problem.key for problem in caught.value.problems) == sorted(expected)
    assert caught.value.as_json()["problems"][0].keys() == {"file", "line", "key", "found", "allowed", "hint"}


def test_all_mistakes_of_a_bench_are_told_at_once(folder):
    board = load_board(folder / "board.toml")
    for name in ("kind", "address", "supply", "point", "bleed"):
        folder.edit("bench.toml", *BENCH_MISTAKES[name][:2])
    with pytest.raises(FileProblems) as caught:
        load_bench(folder / "bench.toml", board)
    expected = sorted(BENCH_MISTAKES[name][3] for name in ("kind", "address", "supply", "point", "bleed"))
    assert sorted(problem.key for problem in caught.value.problems) == expected


def test_a_part_with_a_mistake_keeps_its_nets(folder):
    folder.edit("board.toml", 'D1 = { kind = "schottky"', 'D1 = { kind = "shotky"')
    folder.edit("board.toml", 'TP2 = { net = "RST"', 'TP2 = { net = "RTS"')
    with pytest.raises(FileProblems) as caught:
        load_board(folder / "board.toml")
    assert [problem.key for problem in caught.value.problems] == ["points.TP2.net", "parts.D1.kind"]


values = st.recursive(
    st.none() | st.integers(-3, 3) | st.booleans() | st.text(max_size=4) | st.floats(allow_nan=False),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.text(max_size=3), inner, max_size=2),
    max_leaves=4,
)


def toml(value):
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{toml(str(key))} = {toml(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return repr(value)
    text = "" if value is None else value
    return (
        '"' + "".join(f"\\U{ord(each):08x}" if ord(each) < 0xD800 or ord(each) > 0xDFFF else "?" for each in text) + '"'
    )


def check_with(folder, texts, name, lines):
    """The three files, one of them edited, through the checker: it may find problems, it may not raise."""
    for each, text in texts.items():
        (folder / each).write_text("\n".join(lines) if each == name else text, encoding="utf-8")
    return check_files([folder / each for each in texts])


@SEEDED
@given(st.data(), values, st.sampled_from(["board.toml", "bench.toml", "sequence.toml"]))
def test_any_value_anywhere_is_a_problem_or_fine(tmp_path_factory, texts, data, value, name):
    """One value of a good file is replaced by anything at all."""
    lines = texts[name].splitlines()
    row = data.draw(st.sampled_from([index for index, text in enumerate(lines) if " = " in text]))
    lines[row] = lines[row].split(" = ")[0] + " = " + toml(value)
    for checked in check_with(tmp_path_factory.mktemp("fuzz"), texts, name, lines):
        assert all(problem.line >= 0 for problem in checked.problems)


@SEEDED
@given(st.data(), st.sampled_from(["board.toml", "bench.toml", "sequence.toml"]))
def test_lines_lost_doubled_and_moved(tmp_path_factory, texts, data, name):
    """What an editor does to a file by accident."""
    lines = texts[name].splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        row, other = data.draw(st.integers(0, len(lines) - 1)), data.draw(st.integers(0, len(lines) - 1))
        what = data.draw(st.sampled_from(["lose", "double", "move"]))
        line = lines[row] if what == "double" else lines.pop(row)
        if what != "lose":
            lines.insert(other, line)
    for checked in check_with(tmp_path_factory.mktemp("fuzz"), texts, name, lines):
        assert all(problem.line <= len(lines) + 1 for problem in checked.problems)


@SEEDED
@given(st.text(), st.sampled_from([load_board, load_bench, load_sequence]))
def test_any_text_is_a_problem(tmp_path_factory, text, load):
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileProblems):
        load(path)


def test_files_told_apart(folder):
    folder.write("other.toml", "x = 1\n")
    checked = check_files([folder / "bench.toml", folder / "board.toml", folder / "other.toml"])
    assert [each.kind for each in checked] == ["bench", "board", ""]
    assert [bool(each.problems) for each in checked] == [False, False, True]
    assert checked[0].says == "3 instruments, probing by scanner"


SMALL = 'board = { name = "x", revision = "A" }\n[supplies.S]\nnet = "A"\nvolts = "5 V"\n[parts]\n'


@pytest.mark.parametrize(
    ("part", "key", "found"),
    [
        ('{ kind = "resistor", pins = ["A", "GND"], value = "100 nΩ" }', "value", "100 nΩ"),
        ('{ kind = "capacitor", pins = ["A", "GND"], value = "4700 F" }', "value", "4.7 kF"),
        ('{ kind = "capacitor", pins = ["A", "GND"], farads = "4700 F" }', "farads", "4.7 kF"),
        ('{ kind = "inductor", pins = ["A", "GND"], value = "47 kH" }', "value", "47 kH"),
        ('{ kind = "resistor", pins = ["A", "GND"], value = "1k", max = { power = "63 MW" } }', "max.power", "63 MW"),
    ],
)
def test_a_value_that_no_such_part_has_is_noted(tmp_path, part, key, found):
    file = tmp_path / "board.toml"
    file.write_text(
        f'board = {{ name = "x", revision = "A" }}\n[supplies.S]\nnet = "A"\nvolts = "5 V"\n[parts]\nX1 = {part}\n'
    )
    [checked] = check_files([file])
    assert checked.problems == ()
    [note] = checked.notes
    assert (note.line, note.key) == (6, f"parts.X1.{key}")
    assert found in note.found


LINKS = ("0R", "R001", "9M")


def test_usual_values_and_links_of_no_ohms_are_not_noted(tmp_path):
    file = tmp_path / "board.toml"
    parts = "".join(
        f'R{k} = {{ kind = "resistor", pins = ["A", "GND"], value = "{v}" }}\n' for k, v in enumerate(LINKS)
    )
    file.write_text(f'{SMALL}{parts}C1 = {{ kind = "capacitor", pins = ["A", "GND"], value = "1 F" }}\n')
    assert check_files([file])[0].notes == ()
