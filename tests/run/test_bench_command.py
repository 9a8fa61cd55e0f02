"""`wakeboard bench` against the virtual instruments on real sockets: identity, dates, budget, conformance.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result

from wakeboard.harness.cli.bench import command
from wakeboard.harness.cli.fitting import broken
from wakeboard.harness.cli.options import Common
from wakeboard.harness.cli.virtual import bench_toml
from wakeboard.harness.describe.load import load_bench, load_board
from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.run.bench.conform import left_on
from wakeboard.harness.run.bench.virtual import virtual_bench
from wakeboard.harness.run.errors import OperatorStop
from wakeboard.harness.run.fitness.budget import ASKS, Timed, budget, off_s, round_s, time_supply
from wakeboard.instruments.conformance.suite import Check
from wakeboard.instruments.virtual.wire.server import running


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Any, Any]]:
    """(bench, addresses) of the toy board's bench, in a thread of this process."""
    import runpy

    folder = tmp_path_factory.mktemp("bench")
    (folder / "board.toml").write_text(runpy.run_path(str(Path(__file__).parent / "toy.py"))["BOARD"])
    bench = virtual_bench(load_board(folder / "board.toml"), unit="T-1", transients=False)
    with running(bench) as addresses:
        yield bench, addresses


@pytest.fixture
def described(served: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path / "locks"))
    bench, addresses = served
    document: dict[str, Any] = bench.bench_description(addresses.instruments)
    return document


def bench_command(tmp_path: Path, described: dict[str, Any], *options: str) -> Result:
    file = tmp_path / "bench.toml"
    text = bench_toml("Toy", "T-1", described)
    for name in ("calibrated", "due"):  # dates are no strings
        text = "\n".join(line.replace('"', "") if line.startswith(f"{name} = ") else line for line in text.splitlines())
    file.write_text(text)
    return CliRunner().invoke(command, [str(file), *options], standalone_mode=False)


def test_every_instrument_is_told_and_scripts_get_the_keys(tmp_path: Path, described: dict[str, Any]) -> None:
    result = bench_command(tmp_path, described, "--json")
    assert result.return_value == 0, result.output
    document = json.loads(result.stdout)
    assert document["ok"] is True
    assert [each["name"] for each in document["instruments"]] == ["supply", "meter", "scanner"]
    for each in document["instruments"]:
        assert {"name", "kind", "address", "identity", "dialect", "ok", "says"} <= set(each)
        assert each["ok"]
        assert each["identity"]
    supply = document["instruments"][0]
    assert supply["dialect"] == "keysight-e36300"
    assert supply["cautions"]
    assert "status" in supply["unverified"]
    assert {bound["event"] for bound in document["budget"]} >= {"the runner is killed", "the guard is killed"}


def test_a_person_reads_it_in_eighty_columns(tmp_path: Path, described: dict[str, Any]) -> None:
    told = bench_command(tmp_path, described).output  # whole lines, for a program; broken for a terminal (fitting.py)
    text = "\n".join(broken(line, 80) for line in told.splitlines())
    long = [line for line in text.splitlines() if len(line) > 80]
    assert long == []
    assert "not from the maker's documents" in text
    assert "All outputs commanded off" in text
    assert "! Its current reading says little below 10 mA." in text


@pytest.mark.parametrize(
    ("name", "change", "told"),
    [
        ("meter", {"identity": "MY99999999"}, "'MY99999999' is expected"),
        ("meter", {"due": "2020-01-31"}, "calibration of meter was due on 2020-01-31"),
        ("meter", {"address": "TCPIP::127.0.0.1::1::SOCKET"}, "meter"),
        ("supply", {"feeds": {"1": "USB", "9": "AUX"}}, "channel 9"),
    ],
)
def test_what_is_not_as_the_file_says_fails_and_the_rest_is_still_told(
    tmp_path: Path, described: dict[str, Any], name: str, change: dict[str, Any], told: str
) -> None:
    described["instruments"][name].update(change)
    result = bench_command(tmp_path, described, "--json")
    found = {each["name"]: each for each in json.loads(result.stdout)["instruments"]}
    assert result.return_value == 3
    assert not found[name]["ok"]
    assert told in found[name]["says"]
    assert all(each["ok"] for other, each in found.items() if other != name)


def test_one_instrument_under_two_names(tmp_path: Path, described: dict[str, Any]) -> None:
    """Two entries that lead to one supply: an exchanged or copied address."""
    described["instruments"]["second"] = {**described["instruments"]["supply"], "feeds": {}}
    document = json.loads(bench_command(tmp_path, described, "--json").stdout)
    found = {each["name"]: each for each in document["instruments"]}
    assert document["ok"] is False
    assert "the same instrument answers as second" in found["supply"]["says"]
    assert not found["second"]["ok"]
    assert found["meter"]["ok"]


# --- the conformance suite --------------------------------------------------------------------------------------------
def test_nothing_is_switched_without_a_person_or_the_option(tmp_path: Path, described: dict[str, Any]) -> None:
    result = bench_command(tmp_path, described, "--conform", "--json")
    assert isinstance(result.exception, click.UsageError)
    assert "--yes-outputs-are-open" in str(result.exception)


@pytest.mark.parametrize("typed", ["", "y\n", "yes\n", "\n"])
def test_only_the_word_goes_on(
    tmp_path: Path, described: dict[str, Any], typed: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    import io

    monkeypatch.setattr(Common, "interactive", property(lambda self: True))
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    from wakeboard.harness.cli.bench import _ask

    with pytest.raises(OperatorStop):
        _ask(Common(), False)
    monkeypatch.setattr(sys, "stdin", io.StringIO("open\n"))
    _ask(Common(), False)


def test_the_suite_runs_on_the_instruments_and_leaves_them_off(
    served: Any, tmp_path: Path, described: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without the meter, whose slow readings take their time; tests/drivers holds every meter to the suite."""
    monkeypatch.setattr("wakeboard.instruments.conformance.psu.SETTLE", 0.3)
    del described["instruments"]["meter"]
    result = bench_command(tmp_path, described, "--conform", "--yes-outputs-are-open", "--json")
    document = json.loads(result.stdout)
    bad = [(name, each) for name, checks in document["conformance"].items() for each in checks if not each["ok"]]
    # outputs 1 and 2 feed the toy board: its rails are no open circuit, and say so in no check but these
    assert [each for name, each in bad if name != "supply"] == []
    told = {each["check"] for each in document["conformance"]["supply"]}
    assert {"output 3: on", "output 3: off at the end"} <= told
    assert all(each["ok"] for each in document["conformance"]["supply"] if each["check"].startswith("output 3"))
    assert served[0].outputs_on == []
    assert result.return_value == (3 if bad else 0)


def test_an_output_that_is_not_confirmed_off_is_told_by_its_number() -> None:
    checks = [
        Check("output 1: off at the end", True),
        Check("output 2: off at the end", False),
        Check("identity", False),
    ]
    assert left_on(checks) == ["output 2"]


def test_conform_needs_a_bench_file() -> None:
    result = CliRunner().invoke(command, ["--conform"], standalone_mode=False)
    assert isinstance(result.exception, click.UsageError)


# --- the budget -------------------------------------------------------------------------------------------------------
def test_bounds_add_up_the_replies() -> None:
    """Two outputs at 20 ms a sample and 5 ms a state, one at 50 and 10: a round is 90 ms, off 4·5 + 2·10 = 40 ms."""
    supplies = [Timed("a", 2, 0.020, 0.005, 0.004, open=0.1), Timed("b", 1, 0.050, 0.010, 0.010, open=0.2)]
    assert round_s(supplies) == pytest.approx(0.090)
    assert off_s(supplies) == pytest.approx(0.040)
    bounds = {each.event: each.seconds for each in budget(supplies)}
    assert bounds["a sample breaks a rule"] == pytest.approx(0.130)
    assert bounds["the runner is killed"] == pytest.approx(0.130)
    assert bounds["the guard is killed"] == pytest.approx(0.3 + 3 * 0.014 + 0.040)
    assert bounds["the runner hangs"] > 3.0
    assert budget([]) == []


def test_a_guard_that_keeps_to_its_share_of_a_core_looks_less_often() -> None:
    from wakeboard.harness.run.guard.process import CORE_SHARE

    assert round_s([Timed("a", 1, 0.001, 0.001, 0.001, cpu=0.001)]) == pytest.approx(0.001 / CORE_SHARE)


def test_timing_asks_and_switches_nothing() -> None:
    class Supply:
        channels = ("1",)

        def __init__(self) -> None:
            self.link = self
            self.manners = self
            self.identify = "*IDN?"
            self.name = "supply"
            self.timeout = 3.0
            self.asked: list[str] = []

        def __getattr__(self, name: str) -> Any:
            if name in ("sample", "is_on", "query"):
                return lambda *_: self.asked.append(name)
            raise AssertionError(f"{name} was called")

    supply = Supply()
    timed = time_supply(supply, ["1", "2"])
    assert timed.outputs == 2
    assert sorted(set(supply.asked)) == ["is_on", "query", "sample"]
    assert len(supply.asked) == 3 * ASKS


@pytest.mark.parametrize(
    ("address", "asked", "told"),
    [
        ("TCPIP::192.0.2.10::5025::SOCKET", False, "no known way to tell"),
        ("TCPIP::192.0.2.10::5025::SOCKET", True, "asked when it is opened"),
        ("TCPIP::127.0.0.1::5025::SOCKET", False, ""),
        ("ASRL/dev/ttyUSB0::INSTR", False, ""),
        ("USB0::0x2A8D::0x1102::MY1::INSTR", False, ""),
    ],
)
def test_other_computers_that_no_lock_keeps_out_are_told_of(address: str, asked: bool, told: str) -> None:
    from wakeboard.instruments.link.lock import not_kept_out

    says = not_kept_out(address, asked)
    assert told in says
    assert bool(says) is bool(told)


@pytest.fixture
def scoped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, Any]]:
    """The description of a bench with an oscilloscope, while it is served."""
    import runpy

    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path / "locks"))
    (tmp_path / "board.toml").write_text(runpy.run_path(str(Path(__file__).parent / "toy.py"))["BOARD"])
    bench = virtual_bench(load_board(tmp_path / "board.toml"), unit="T-1", scope="ds1054z", sees={1: "TP1"})
    with running(bench) as addresses:
        yield bench.bench_description(addresses.instruments)


def test_what_a_run_will_use_is_tried_and_nothing_goes_on(tmp_path: Path, scoped: dict[str, Any]) -> None:
    result = bench_command(tmp_path, scoped, "--json")
    assert result.return_value == 0, result.output
    says = {each["name"]: each["says"] for each in json.loads(result.stdout)["instruments"]}
    assert "takes DC and AC volts, frequency and ohms" in says["meter"]
    assert "takes channel 1 and waits for a trigger" in says["scope"]
    assert "outputs off" in says["supply"]
    assert "knows 5 channels of the routes" in says["scanner"]
    scoped["instruments"]["scope"]["sees"] = {"9": "TP1"}
    result = bench_command(tmp_path, scoped)
    assert result.return_value == 3, "it has no ninth channel"
    assert "FAILS scope" in result.output


def test_mistakes_in_what_the_oscilloscope_sees(tmp_path: Path, scoped: dict[str, Any]) -> None:
    scoped["instruments"]["scope"]["sees"] = {"1": "TP99"}
    bench_command(tmp_path, scoped)
    with pytest.raises(FileProblems, match='the point "TP99"'):
        load_bench(tmp_path / "bench.toml", load_board(tmp_path / "board.toml"))
    scoped["instruments"]["scope"]["probe"] = "ten"
    with pytest.raises(FileProblems, match="a number"):
        raise bench_command(tmp_path, scoped).exception or AssertionError("taken")
