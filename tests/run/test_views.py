"""What a person sees of a run: plain lines, a live picture of 80 columns, a bench file that reads back.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import io
import json
import tomllib
from typing import Any, cast

import pytest
from rich.console import Console

from wakeboard.harness.cli import execute
from wakeboard.harness.cli.virtual import bench_toml
from wakeboard.harness.describe.bench import Bench
from wakeboard.harness.describe.board.board import Board
from wakeboard.harness.describe.load import load_board, load_sequence
from wakeboard.harness.run.bench.probing import HandProbing
from wakeboard.harness.run.bench.virtual import NoCircuit, prepare_board, virtual_bench
from wakeboard.harness.run.guard.core import Sample
from wakeboard.harness.run.hand.operator import laid
from wakeboard.harness.run.live import LiveObserver, PlainObserver, bar, reading_text
from wakeboard.harness.run.session import planted, take_unit
from wakeboard.results.ledger.text import tell_reading
from wakeboard.results.records import Reading, Step


def test_a_reading_in_a_line() -> None:
    reading = Reading("+3V3", "dc volts", 3.1, "V", 1e-4, 3.201, 3.399, "fail", limits_from="board")
    assert reading_text(reading) == "+3V3 dc volts 3.1 V (3.201 V .. 3.399 V, from the board file)"
    over = Reading("VUSB", "ohms", None, "Ω", None, 1e3, None, "pass", limits_from="step", says="above 160 kΩ")
    assert reading_text(over) == "VUSB ohms above 160 kΩ (> 1 kΩ, from the step)"


def test_a_value_just_beyond_its_limit_does_not_look_like_it() -> None:
    reading = Reading("SDA", "dc volts", 2.00042, "V", 1e-4, 1.0, 2.0, "fail", limits_from="step")
    assert reading_text(reading) == "SDA dc volts 2.0004 V (1 V .. 2 V, from the step)"
    inside = Reading("SDA", "dc volts", 2.0, "V", 1e-4, 1.0, 2.0, "pass", limits_from="step")
    assert reading_text(inside) == "SDA dc volts 2 V (1 V .. 2 V, from the step)"


def test_a_step_without_a_beginning_tells_nothing_of_the_one_before() -> None:
    """The discharge at the end of a run."""
    lines: list[str] = []
    watch = PlainObserver(lines.append)
    watch.step_begins(1, 1, "volts", "volts")
    watch.reading(Reading("SDA", "dc volts", 3.0, "V", 1e-4, 1.0, 2.0, "fail"))
    watch.step_ends(Step(1, "volts", "volts", "fail", 0.0, 1.0, []))
    watch.step_ends(Step(2, "discharge", "discharge", "pass", 1.0, 2.0, []))
    assert [line.split()[0] for line in lines] == ["1", "fail", "2"]


def test_a_marginal_reading_says_why_it_decides_nothing() -> None:
    near = Reading("USB", "current", 5e-3, "A", 1.4e-3, 3e-3, 30e-3, "marginal", limits_from="step")
    assert reading_text(near) == (
        "USB current 5 mA ± 2.8 mA (3 mA .. 30 mA, from the step): too near the limit to decide"
    )
    assert tell_reading(near) == "USB 5 mA ± 2.8 mA (allowed 3 mA .. 30 mA: too near to decide)"
    low = Reading("EN", "dc volts", 0.2, "V", 1e-4, 2.0, None, "fail", limits_from="board", says="reads low")
    assert reading_text(low) == "EN dc volts 200 mV (> 2 V, from the board file): reads low"


def test_plain_lines_name_what_fails(toy: Any) -> None:
    lines: list[str] = []
    take_unit(
        load_sequence(toy.sequence), unit="T-1", plants=("U2:variant=2.8 V",), observer=PlainObserver(lines.append)
    )
    assert any(line.split()[:3] == ["4", "fail", "rails"] for line in lines)
    assert any("+3V3 dc volts 2.8" in line and "board" in line for line in lines)
    assert not any("VIN dc volts" in line for line in lines)


def test_the_live_view_fits_eighty_columns(toy: Any) -> None:
    stream = io.StringIO()
    console = Console(file=stream, width=80, force_terminal=True, color_system=None, legacy_windows=False)
    with LiveObserver(console, "unit T-1") as live:
        take_unit(load_sequence(toy.sequence), unit="T-1", plants=("U2:variant=2.8 V",), observer=live)
        live.pulse({"USB": Sample(0.0, 4.998, 0.043, "cv", True)}, {"USB": 0.12})
        console.print(live._picture())
    text = stream.getvalue()
    assert all(len(line) <= 80 for line in Console(width=80).render_str(text).plain.splitlines() if "\x1b" not in line)
    assert "of 120 mA" in text
    assert "Ctrl-C: everything off" in text
    assert "2.8" in text


def test_a_prompt_fits_eighty_columns() -> None:
    """With the longest reason for which the tips are asked for again, and without any."""
    said: list[tuple[str, str]] = []
    probing = HandProbing(cast(Board, None), lambda title, detail: said.append((title, detail)))
    probing.short()
    probing.short(
        "the meter's leads are together, and it sees an open circuit: a lead is off, in another jack or broken, or the "
        "terminals at the other side are switched on"
    )
    for title, detail in [*said, ("Everything as the cautions say, and the unit on the bench?", "")]:
        lines = laid(title, detail).splitlines()
        assert max(map(len, lines)) <= 79
        assert all(line.strip() for line in lines)
    assert said[0][0] == "Hold the two probe tips together"
    assert said[1][0] == "Once more: hold the two probe tips together"
    assert said[1][1].startswith("The meter's leads are together, and it sees an open circuit")


def test_a_current_bar_shows_its_share_of_the_limit() -> None:
    assert bar(0.06, 0.12).plain.count("█") == 10
    assert bar(0.5, 0.12).plain.count("█") == 20
    assert bar(-0.001, 0.12).plain.count("█") == 0


def test_the_bench_file_reads_back(toy: Any) -> None:
    board = load_board(toy.board)
    description = virtual_bench(board, unit="T-1").bench_description(console="/dev/pts/9")
    text = bench_toml(board.name, "T-1", description)
    assert tomllib.loads(text) == json.loads(json.dumps(description))
    bench = Bench.model_validate(tomllib.loads(text))
    assert set(bench.supplies) == {"USB", "AUX"}


def test_a_units_file_beside_the_board_plants_its_faults(toy: Any) -> None:
    board = load_board(toy.board)
    assert planted(board, "T-2", ("R2:open",)) == ("R2:open",)
    toy.write("units.toml", '[every]\nplant = ["U1.GPIO1:pull_up=30k"]\n[units.T-2]\nplant = ["D1:open"]\n')
    assert planted(board, "T-2", ("R2:open",)) == ("U1.GPIO1:pull_up=30k", "D1:open", "R2:open")
    assert planted(board, "other") == ("U1.GPIO1:pull_up=30k",)


def test_a_board_without_parts_has_no_virtual_bench(toy: Any) -> None:
    text = toy.board_text
    toy.write(
        "board.toml", text[: text.index("[parts]")] + text[text.index("[links.console]") : text.index("[target]")]
    )
    with pytest.raises(NoCircuit, match="--bench"):
        prepare_board(load_board(toy.board))


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (["run", "bring-up.toml"], 2, "--unit"),
        (["run", "none.toml", "--unit", "T-1"], 2, "none.toml"),
        (["run", "bring-up.toml", "--unit", "T-1", "--plant", "R99:open"], 2, "R99"),
        (["run", "bring-up.toml", "--unit", "T-1", "--plant", "R2:banana"], 2, "banana"),
        (["run", "bring-up.toml", "--unit", "T-1", "--bench", "none.toml"], 2, "none.toml"),
        (["virtual", "board.toml", "--plant", "R99:open"], 2, "R99"),
        (["virtual", "board.toml", "--psu", "nobody"], 2, "nobody"),
        (["bench", "none.toml"], 2, "none.toml"),
    ],
)
def test_wrong_usage_is_one_clear_error(
    toy: Any,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    code: int,
    says: str,
) -> None:
    monkeypatch.chdir(toy.folder)
    assert execute(arguments) == code
    said = capsys.readouterr().err
    assert says in said
    assert "Traceback" not in said


def test_run_prints_cautions_before_it_energises(
    toy: Any, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(toy.folder)
    assert execute(["run", "bring-up.toml", "--unit", "T-1", "--json"]) == 0
    captured = capsys.readouterr()
    document = json.loads(captured.out)
    assert document["outcome"] == "pass"
    assert document["virtual"] is True
    assert "mains" in captured.err
    assert (toy.folder / "wakeboard.db").exists()
