"""From the files of a drawing to a folder that checks clean, reviews and runs; what cannot be told is a place."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from heron import PARTS, STYLES

from wakeboard.harness.cli import execute
from wakeboard.harness.describe.files import check_files
from wakeboard.harness.describe.load import load_board, load_sequence
from wakeboard.harness.review.review import review_board

HERE = Path(__file__).parent


def begun(tmp_path: Path, style: str, capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, dict[str, object]]:
    files = STYLES[style](tmp_path)
    given = [word for role, file in files.items() for word in (f"--{role}", str(file))]
    code = execute(["new", str(tmp_path / "board"), *given, *more, "--json"])
    return code, json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("style", STYLES)
def test_every_style_of_files_makes_the_same_board(
    style: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """At least 85 % of the parts and all nets without typing, at most 15 places to fill in, and a clean check."""
    code, told = begun(tmp_path, style, capsys)
    folder = tmp_path / "board"
    assert code == 0
    checked = check_files([folder / "board.toml", folder / "bench.toml", folder / "first-power-on.toml"])
    assert [problem for each in checked for problem in each.problems] == []
    board = load_board(folder / "board.toml")
    drawn = [part for part in PARTS if part.pins and not part.name.startswith("TP")]
    fitted = {part.name for part in drawn if part.fitted}
    assert set(board.parts) == fitted
    nets = {net for part in drawn if part.fitted for net in part.pins.values()}
    assert nets - board.nets == {"BUCK_SW"} & (nets - board.nets), "every net is there"
    unmodelled = [p.name for p in board.parts.values() if p.kind == "unmodelled" and p.name != "Y1"]
    assert unmodelled == ["U1", "U8"]
    assert len(fitted) - len(unmodelled) >= 0.85 * len(fitted)
    assert len(told["fill_in"]) <= 15
    assert board.parts["R7"].values["value"] == 47e3
    assert board.parts["C5"].values["value"] == pytest.approx(4.7e-6)
    assert board.parts["D1"].pins == {"A": "VBUS_F", "K": "V5"}
    assert board.rails["V33_SENS"].on_when == {"U1.9": "high"}
    assert board.supplies["USB"].limits.low == 4.40
    assert "bottom side" in board.note("U7").place
    assert "# R22 = " in (folder / "board.toml").read_text(encoding="utf-8"), "not fitted, told as a comment"


def test_the_folder_is_reviewed_and_run_as_it_stands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from wakeboard.harness.run.session import take_unit

    begun(tmp_path, "plain", capsys)
    assert review_board(load_board(tmp_path / "board" / "board.toml"))
    run = take_unit(load_sequence(tmp_path / "board" / "first-power-on.toml"), unit="1")
    assert run.record.outcome == "pass"
    assert run.record.outputs_off


def test_a_hidden_pull_in_a_reset_pin_is_raised_with_the_file_as_its_source(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    begun(tmp_path, "plain", capsys, "--pins", str(HERE / "radio.ibs"))
    board = load_board(tmp_path / "board" / "board.toml")
    assert board.parts["U8"].values["io"]["RST_N"]["pull_up"] == pytest.approx(13e3, rel=0.05)
    found = [c for c in review_board(board) if c.rule == "weak-pull" and "radio.ibs:24" in c.says]
    assert [c.nets for c in found] == [("RADIO_RST",)]
    assert found[0].serious
    assert found[0].value == pytest.approx(3.3 * 47 / (47 + 13), rel=0.02), "the divider of the two pulls"


def test_each_line_says_where_it_came_from(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    begun(tmp_path, "german", capsys)
    rows = (tmp_path / "board" / "board.toml").read_text(encoding="utf-8").splitlines()
    row = next(row for row in rows if row.startswith("R7 = "))
    assert "nets net.dat:" in row
    assert '"47k" bom.dat:' in row


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("bom", "Reference", "Was", ""), "no column of references"),
        (("bom", '"10k"', '"10k"', 'R1,"R5","77k","R0603","1","again",""'), "again"),
        (("places", "PosX", "PosX", "R1,x,y,ninety,5,0,top"), "column 4"),
        (("netlist", "CUST 1", "CUST 4", ""), "column 10"),
    ],
)
def test_bad_files_are_told_with_line_and_column_and_nothing_is_written(
    change: tuple[str, str, str, str], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    role, old, new, row = change
    files = STYLES["plain"](tmp_path)
    text = files[role].read_text(encoding="utf-8").replace(old, new)
    if role == "bom" and row:
        row = '"R5","77k","R0603","1","again",""'
    if old == "Reference":
        text = "\n".join(f'"A{k}x","{k}V"' for k in range(9))
        text = '"Value","Footprint"\n' + text
    files[role].write_text(text + "\n" + row, encoding="utf-8")
    given = [word for key, file in files.items() for word in (f"--{key}", str(file))]
    assert execute(["new", str(tmp_path / "board"), *given]) == 2
    assert says in capsys.readouterr().err
    assert not (tmp_path / "board").exists()


def test_columns_are_corrected_by_a_person(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = STYLES["plain"](tmp_path)
    text = files["bom"].read_text(encoding="utf-8").replace("Value", "Blue").replace("Description", "Green")
    files["bom"].write_text(text, encoding="utf-8")
    given = [
        "--netlist",
        str(files["netlist"]),
        "--bom",
        str(files["bom"]),
        "--columns",
        "value=Blue,description=green",
    ]
    assert execute(["new", str(tmp_path / "board"), *given]) == 0
    assert load_board(tmp_path / "board" / "board.toml").parts["R7"].values["value"] == 47e3
    assert execute(["new", str(tmp_path / "other"), *given[:-1], "value=Red"]) == 2
    assert "no column" in capsys.readouterr().err


def test_a_supply_without_a_voltage_is_never_made_up(tmp_path: Path) -> None:
    netlist = tmp_path / "n.ipc"
    rows = [("VIN", "J1", "1"), ("GND", "J1", "2"), ("VIN", "C1", "1"), ("GND", "C1", "2")]
    lines = [f"327{net:<14}   {part:<6}-{pin:<4}       A01X+010000Y+000000" for net, part, pin in rows]
    netlist.write_text("P  UNITS CUST 1\n" + "\n".join(lines) + "\n999\n", encoding="ascii")
    assert execute(["new", str(tmp_path / "board"), "--netlist", str(netlist)]) == 0
    board = load_board(tmp_path / "board" / "board.toml")
    assert board.supplies["VIN"].volts.nominal == 1.0, "what harms nothing, and a FILL IN"
    assert "FILL IN: volts of VIN" in board.text


def test_ten_thousand_pads_are_read_whole() -> None:
    from wakeboard.harness.drawings.readers import read
    from wakeboard.harness.drawings.source import from_bytes

    rows = [
        f"327{net:<14}   R{k:<5}-{pin}          A01X{k % 100 * 2000:+07d}Y{k // 100 * 1000:+07d}X0600Y0600R000 S1"
        for k in range(5000)
        for pin, net in ((1, f"N{k}"), (2, f"N{k + 1}"))
    ]
    design = read(from_bytes("n", "\n".join(["P  UNITS CUST 1", *rows]).encode()))
    assert (len(design.pads), len(design.parts), len(design.nets())) == (10_000, 5000, 5001)


def test_check_says_what_is_left_most_useful_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    begun(tmp_path, "plain", capsys)
    board = tmp_path / "board" / "board.toml"
    text = board.read_text(encoding="utf-8").replace('U3 = { kind = "ldo"', 'U3 = { kind = "unmodelled"')
    row = next(row for row in text.splitlines() if row.startswith("U3 = "))
    bare = 'U3 = { kind = "unmodelled", pins = { 1 = "VSYS", 2 = "GND", 3 = "VSYS", 5 = "+3V3" } }'
    board.write_text(text.replace(row, bare), encoding="utf-8")
    assert execute(["check", str(board)]) == 0
    left = [line for line in capsys.readouterr().out.splitlines() if line.startswith("left: ")]
    assert left[0].startswith("left: 3 of 73 parts have no model; describe first: U3, since")
    assert "works without them: shorts, rails" in left[1]
    assert not execute(["check", str(board), "--json"])
    assert json.loads(capsys.readouterr().out)["files"][0]["left"]


def test_the_catalogue_is_made_of_the_kinds_and_its_examples_are_good(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from wakeboard.harness.describe.board.parts import board_kinds, read_parts
    from wakeboard.harness.describe.toml.document import read_text
    from wakeboard.harness.drawings.parts.catalogue import example, lines

    for kind in board_kinds().values():
        rows = example(kind)
        text = "\n".join(rows if rows[0].startswith("[") else ["[parts]", *rows])
        document = read_text(text, kind.name)
        read_parts(document)
        assert document.problems == [], f"{kind.name}: {text}"
        shown = "\n".join(lines(kind))
        assert all(name in shown for name in kind.values)
    assert execute(["parts", "ldo", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["values"]["volts"]["required"]
    assert execute(["parts", "lod"]) == 2
    assert execute(["parts", "--page"]) == 0
    assert "## supervisor" in capsys.readouterr().out


def test_a_part_that_was_filled_in_once_is_known_on_the_next_board(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    begun(tmp_path, "plain", capsys)
    board = tmp_path / "board" / "board.toml"
    rows = [row for row in board.read_text(encoding="utf-8").splitlines() if not row.startswith("U8 = ")]
    chip = (
        '[parts.U8]\nkind = "chip"\npins = { GND = "GND", RST = "RADIO_RST", IRQ = "RADIO_IRQ", VDD = "+3V3" }\n'
        'supply = { VDD = { draws = "12 mA", above = "1.8 V" } }\n[parts.U8.io]\n'
        'RST = { type = "input", pull_up = "13k" }\nIRQ = { type = "output" }\n'
    )
    board.write_text("\n".join([*rows, "", chip]), encoding="utf-8")
    assert execute(["parts", "new", "U8", "--from", str(board)]) == 0
    book = tmp_path / "board" / "parts" / "radio-868.toml"
    assert 'match = ["RADIO-868"]' in book.read_text(encoding="utf-8")
    other = tmp_path / "other"
    (other / "parts").mkdir(parents=True)
    (other / "parts" / "mine.toml").write_text(book.read_text(encoding="utf-8"), encoding="utf-8")
    files = STYLES["plain"](tmp_path)
    given = [word for role, file in files.items() for word in (f"--{role}", str(file))]
    assert execute(["new", str(other), *given]) == 0
    part = load_board(other / "board.toml").parts["U8"]
    assert part.kind == "chip"
    assert part.values["io"]["RST"]["pull_up"] == 13e3
    assert part.pins["RST"] == "RADIO_RST"


def test_the_packaged_part_book_is_good() -> None:
    from wakeboard.harness.drawings.parts.book import Book

    entries = Book.beside(None).entries
    assert len(entries) > 15
    assert len({entry.name for entry in entries}) == len(entries)
