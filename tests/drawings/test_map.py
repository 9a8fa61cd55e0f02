"""The map of a board: both sides, marks by shape and word, and pictures in reports.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from xml.etree import ElementTree

import pytest
from heron import STYLES

from wakeboard.harness.cli import execute
from wakeboard.harness.drawings.places.maps import beside, figure, review_figures
from wakeboard.results.boardmap import BoardMap, MapPad, MapPart, drawn

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("heron")
    files = STYLES["plain"](where)
    given = [word for role, file in files.items() for word in (f"--{role}", str(file))]
    assert execute(["new", str(where / "board"), *given]) == 0
    return where / "board"


@pytest.fixture
def folder(begun: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(begun, tmp_path / "board"))


def test_the_pads_of_a_net_the_point_and_the_part_are_marked_by_shape_and_word(folder: Path) -> None:
    board, places = beside(folder) or pytest.fail("no places")
    caption, svg = figure(board, places, "RADIO_RST", "R7") or pytest.fail("no figure")
    assert caption.startswith("RADIO_RST; probe TP6, top side, ")
    assert "; R7, top side, " in caption
    root = ElementTree.fromstring(str(svg))
    black = [each for each in root.iter(SVG + "rect") if each.get("fill") == "#000"]
    assert len(black) == sum(pad.net == "RADIO_RST" for pad in places.map.pads) == 4
    words = [each.text for each in root.iter(SVG + "text")]
    assert {"Top side", "Bottom side, turned over", "probe TP6", "R7", "U1"} <= set(words)
    assert len(list(root.iter(SVG + "circle"))) == 1
    colours = {each.get(key) for each in root.iter() for key in ("fill", "stroke")} - {None, "none"}
    assert all(len(set(colour.lstrip("#"))) == 1 for colour in colours if colour), (
        "greys only: prints in black and white"
    )


def test_the_bottom_is_drawn_turned_over() -> None:
    pads = [MapPad("R1", "1", "N", 10.0, 0.0, 1, 1, "top"), MapPad("R2", "1", "N", 10.0, 0.0, 1, 1, "bottom"),
            MapPad("R3", "1", "M", 0.0, 5.0, 1, 1, "top")]  # fmt: skip
    parts = {pad.part: MapPart(pad.part, pad.x, pad.y, pad.x, pad.y, pad.side) for pad in pads}
    root = ElementTree.fromstring(str(drawn(BoardMap(parts, pads, [[(0, 0), (20, 0), (20, 10), (0, 10)]]), net="N")))
    top, bottom = (float(each.get("x", 0)) for each in root.iter(SVG + "rect") if each.get("fill") == "#000")
    edges = [each.get("d", "") for each in root.iter(SVG + "path")]
    lefts = [min(float(point.split()[0]) for point in d.strip("MZ").split("L")) for d in edges]
    assert top - lefts[0] == pytest.approx(100 - 5)
    assert bottom - lefts[1] == pytest.approx(100 - 5), "10 mm from the right edge on both"


def test_five_hundred_parts_are_a_map_of_a_sane_size() -> None:
    parts = {
        f"R{k}": MapPart(f"R{k}", k % 25 * 3, k // 25 * 2, k % 25 * 3 + 2, k // 25 * 2 + 1, "top") for k in range(500)
    }
    pads = [
        MapPad(f"R{k}", str(p), f"N{k}", k % 25 * 3 + p, k // 25 * 2 + 0.5, 0.6, 0.8, "top")
        for k in range(500)
        for p in (0, 1)
    ]
    svg = str(drawn(BoardMap(parts, pads), net="N7", point="R9", part="R7"))
    assert len(svg) < 400_000
    assert len(list(ElementTree.fromstring(svg).iter(SVG + "path"))) >= 1, "a hull where there is no outline"


def test_reports_show_where_what_is_odd_is(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    assert execute(["run", "first-power-on.toml", "--unit", "1", "--plant", "R5:missing"]) == 1
    assert execute(["report", "-o", "r.html"]) == 0
    page = (folder / "r.html").read_text(encoding="utf-8")
    assert 'id="where"' in page
    assert "MCU_RST; probe TP5, top side" in page
    assert execute(["map", "board.toml", "MCU_RST", "-o", "m.svg"]) == 0
    ElementTree.fromstring((folder / "m.svg").read_text(encoding="utf-8"))
    assert execute(["map", "board.toml", "NOWHERE"]) == 2


def test_a_review_shows_its_serious_concerns(folder: Path) -> None:
    board, places = beside(folder) or pytest.fail("no places")
    review = {
        "concerns": [
            {"serious": True, "nets": ["SDA"], "path": ["U10"]},
            {"serious": False, "nets": ["SCL"], "path": []},
        ]
    }
    (only,) = review_figures(board, places, review)
    assert only[0].startswith("SDA; probe R13_2")


@pytest.mark.parametrize("spoilt", ["", "{}", '{"parts": 3}', '{"parts": {}, "pads": [[1]], "outline": []}', "[]"])
def test_a_spoilt_places_file_spoils_no_report(folder: Path, spoilt: str) -> None:
    (folder / "places.json").write_text(spoilt, encoding="utf-8")
    assert beside(folder) is None
    assert execute(["map", str(folder / "board.toml"), "SDA"]) == 2
    assert execute(["check", str(folder / "board.toml")]) == 0
