"""`wakeboard off`: everything off, also what is held or feeds nothing; what cannot be confirmed ends with code 6.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import json
import runpy
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.cli import execute
from wakeboard.harness.cli.virtual import bench_toml
from wakeboard.harness.describe.load import load_bench, load_board
from wakeboard.harness.run.bench.virtual import virtual_bench
from wakeboard.instruments.scpi.opening import open_psu
from wakeboard.instruments.virtual.wire.server import running


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """The toy board's bench on real sockets, its file bench.toml in the working folder."""
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path / "locks"))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "board.toml").write_text(runpy.run_path(str(Path(__file__).parent / "toy.py"))["BOARD"])
    made = virtual_bench(load_board(tmp_path / "board.toml"), unit="T-1", transients=False)
    with running(made) as served:
        (tmp_path / "bench.toml").write_text(bench_toml("Toy", "T-1", made.bench_description(served.instruments)))
        yield served


def supply(**options: Any) -> Any:
    (described,) = load_bench("bench.toml").of_kind("psu")
    return open_psu(described.address, name="supply", **options)


def switch_on(*channels: str) -> None:
    psu = supply()
    for channel in channels:
        psu.set(channel, 1.0, 0.05)
        psu.on(channel)
    psu.link.close()


def states() -> dict[str, bool]:
    psu = supply(exclusive=False)
    try:
        return {channel: psu.is_on(channel) for channel in psu.channels}
    finally:
        psu.link.close()


@pytest.mark.usefixtures("bench")
def test_everything_off_and_what_was_heard(capsys: pytest.CaptureFixture[str]) -> None:
    switch_on("1", "3")  # 3 feeds no supply of the board
    assert execute(["off", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["off"] is True
    assert {each["output"]: each["state"] for each in document["outputs"]} == {"1": "off", "2": "off", "3": "off"}
    assert all(abs(each["volts"]) < 1.1 for each in document["outputs"])
    assert not any(states().values())


@pytest.mark.usefixtures("bench")
def test_what_another_program_holds_is_switched_off_all_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    holder = supply()
    holder.set("1", 1.0, 0.05)
    holder.on("1")
    try:
        assert execute(["off", "bench.toml"]) == 0
        assert "another program holds it" in capsys.readouterr().out
        assert not any(states().values())
    finally:
        holder.link.close()


@pytest.mark.usefixtures("bench")
def test_a_supply_that_does_not_answer_is_unknown_and_the_next_is_switched_off(
    capsys: pytest.CaptureFixture[str],
) -> None:
    switch_on("1")
    dead = '[instruments.a]\nkind = "psu"\naddress = "TCPIP::127.0.0.1::1::SOCKET"\nfeeds = { 1 = "NONE" }\n'
    text = Path("bench.toml").read_text()
    Path("two.toml").write_text(text.replace("[instruments.", dead + "[instruments.", 1))
    assert execute(["off", "two.toml"]) == 6
    told = capsys.readouterr()
    assert "unknown  a output 1" in told.out
    assert "OUTPUTS NOT CONFIRMED OFF" in told.err
    assert "wakeboard off" in told.err
    assert not any(states().values())


def test_without_a_bench_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    monkeypatch.chdir(tmp_path)
    assert execute(["off"]) == 2
    assert "front panel" in capsys.readouterr().err


@pytest.mark.usefixtures("bench")
def test_an_output_that_is_on_is_not_ok(capsys: pytest.CaptureFixture[str]) -> None:
    assert execute(["bench", "bench.toml"]) == 0
    switch_on("3")
    capsys.readouterr()
    assert execute(["bench", "bench.toml"]) == 0
    assert "! output 3 is on; it feeds no supply" in capsys.readouterr().out
    switch_on("1")
    assert execute(["bench", "bench.toml"]) == 3
    told = capsys.readouterr().out
    assert "FAILS supply" in told
    assert "ok    supply" not in told
    assert "output 1 is ON: `wakeboard off BENCH`" in told
