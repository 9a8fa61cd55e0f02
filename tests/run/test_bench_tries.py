"""What `wakeboard bench` tries before a run is sent to the bench.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner

from wakeboard.harness.cli.bench import command
from wakeboard.harness.cli.virtual import bench_toml
from wakeboard.harness.describe.bench import Probing
from wakeboard.harness.describe.load import load_board
from wakeboard.harness.run.bench.virtual import virtual_bench
from wakeboard.harness.run.fitness.selfcheck import CheckedInstrument, _look_at_off, _look_at_routes
from wakeboard.harness.run.fitness.trying import harmless_channel, try_settings
from wakeboard.instruments.errors import BenchError, SettingError
from wakeboard.instruments.virtual.wire.server import running


class Lying:
    def measure(self, channel: str) -> tuple[float, float]:
        return (5.0 if channel == "1" else 0.01), 0.0


class Relays:
    def __init__(self, errors: list[tuple[int, str]]) -> None:
        self._errors = errors

    def is_closed(self, channel: str) -> bool:
        return channel == "102"

    def errors(self) -> list[tuple[int, str]]:
        return self._errors


def test_an_output_that_claims_to_be_off_at_five_volts() -> None:
    checked = CheckedInstrument("supply", "psu", "x")
    _look_at_off(checked, Lying(), ["1", "2"])
    assert checked.doubtful == ["1"]
    assert "says that it is off, and it reads 5.00 V itself" in checked.says[0]


def test_the_routes_are_asked_after() -> None:
    checked = CheckedInstrument("relays", "scanner", "x")
    _look_at_routes(checked, Relays([]), {"TP1": "101", "TP2": "102"})
    assert checked.says == ["knows 2 channels of the routes"]
    assert checked.cautions == ["channel 102 is closed"]
    with pytest.raises(BenchError, match="-222"):
        _look_at_routes(checked, Relays([(-222, "Data out of range")]), {"TP1": "999"})


# --- forms that an instrument refuses, over real sockets --------------------------------------------------------------
@pytest.fixture
def served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Any, dict[str, Any]]]:
    """(virtual bench, its description) of the toy board."""
    import runpy

    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path / "locks"))
    (tmp_path / "board.toml").write_text(runpy.run_path(str(Path(__file__).parent / "toy.py"))["BOARD"])
    bench = virtual_bench(load_board(tmp_path / "board.toml"), unit="T-1", transients=False)
    with running(bench) as addresses:
        yield bench, bench.bench_description(addresses.instruments)


def told(tmp_path: Path, description: dict[str, Any], code: int) -> dict[str, dict[str, Any]]:
    file = tmp_path / "bench.toml"
    file.write_text(bench_toml("Toy", "T-1", description))
    result = CliRunner().invoke(command, [str(file), "--json"], standalone_mode=False)
    assert result.return_value == code, result.output
    return {each["name"]: each for each in json.loads(result.stdout)["instruments"]}


def test_settings_are_tried_with_the_output_off_and_put_back(tmp_path: Path, served: Any) -> None:
    bench, description = served
    outputs = bench.instruments["supply"].supply.outputs
    outputs[0].set_volts(1.25)
    outputs[0].set_amps(0.5)
    outputs[0].set_ovp(5.5)
    found = told(tmp_path, description, 0)
    assert "over-voltage protection and over-current protection, output off" in found["supply"]["says"]
    assert (outputs[0].settings.volts, outputs[0].settings.amps, outputs[0].settings.ovp) == (1.25, 0.5, 5.5)
    assert bench.outputs_on == []
    assert "which puts the leads together, closed and opened" in found["scanner"]["says"]
    assert not any(bench.instruments["scanner"].relays.closed)


FORMS = {
    "supply": ('ovp = "VOLT:PROT:LEVL {volts:.4f},(@{n})"', "VOLT:PROT:LEVL"),
    "limit": ('amps = "CURR:LIMT {amps:.4f},(@{n})"', "CURR:LIMT"),
    "voltage": ('volts = "VOLT:LEVL {volts:.4f},(@{n})"', "VOLT:LEVL"),
    "scanner": ('close = "ROUT:CLOS:CHAN (@{ch})"', "ROUT:CLOS:CHAN"),
    "open": ('open = "ROUT:OPEN:CHAN (@{ch})"', "ROUT:OPEN:CHAN"),
    "all": ('open_all = "ROUT:OPEN:EVERY"', "ROUT:OPEN:EVERY"),
}


@pytest.mark.parametrize("form", FORMS)
def test_a_refused_form_is_named(tmp_path: Path, served: Any, form: str) -> None:
    """A dialect of one's own whose command the instrument does not know."""
    bench, description = served
    line, named = FORMS[form]
    psu = form in ("supply", "limit", "voltage")
    own = tmp_path / "own.toml"
    own.write_text(
        f'kind = "psu"\ntitle = "own"\nbased_on = "keysight-e36300"\n[say]\n{line}\n' if psu
        else f'kind = "scanner"\ntitle = "own"\nbased_on = "hp-34970a"\n{line}\n'
    )  # fmt: skip
    name = "supply" if psu else "scanner"
    description["instruments"][name]["dialect"] = str(own)
    found = told(tmp_path, description, 3)
    assert not found[name]["ok"]
    assert named in found[name]["says"]
    if form in ("limit", "voltage"):  # the one command, and not the group that it was said in
        refused = found[name]["says"].partition(" after ")[2]
        assert refused.startswith(f"'{named} ")
        assert ("VOLT" if form == "limit" else "CURR") not in refused
    assert found["meter"]["ok"]
    assert bench.outputs_on == []
    if psu:
        assert "switching is not tried: supply is not as it should be" in found["scanner"]["says"]


def test_a_refused_over_current_form_is_told_and_is_no_failure(tmp_path: Path, served: Any) -> None:
    """As in a run: guard and limit do without it."""
    _, description = served
    (tmp_path / "own.toml").write_text(
        'kind = "psu"\ntitle = "own"\nbased_on = "keysight-e36300"\n[say]\nocp = "CURR:PROT:ARM ON,(@{n})"\n'
    )
    description["instruments"]["supply"]["dialect"] = str(tmp_path / "own.toml")
    says = told(tmp_path, description, 0)["supply"]["says"]
    assert "its over-current protection would not be armed" in says
    assert "CURR:PROT:ARM" in says


class Supply:
    """It says off, and comes on when its voltage is set."""

    name = "supply"
    dialect = SimpleNamespace(ask=SimpleNamespace(volts=None, amps=None))
    can = SimpleNamespace(ovp=False, ocp="none")

    def __init__(self, tells: bool = True) -> None:
        self.looks = SimpleNamespace(state_questions=lambda _: ["OUTP?"] if tells else [])
        self.on, self.set_to = False, []

    def ovp_level(self, _channel: str) -> None:
        return None

    def set(self, _channel: str, volts: float, _amps: float) -> None:
        self.set_to.append(volts)
        self.on = True

    def unprotect(self, _channel: str) -> None: ...

    def is_on(self, _channel: str) -> bool:
        return self.on

    def off(self, _channel: str) -> None:
        self.on = False


def test_an_output_that_comes_on_by_a_setting_goes_off_and_is_told() -> None:
    supply = Supply()
    with pytest.raises(SettingError, match="output 1 came on while it was set, and is off again"):
        try_settings(supply, ["1"])
    assert not supply.on


def test_an_output_that_comes_on_and_refuses_what_follows_goes_off_too() -> None:
    class Refusing(Supply):
        def set(self, channel: str, volts: float, amps: float) -> None:
            super().set(channel, volts, amps)
            raise BenchError("supply: refused", instrument="supply")

    supply = Refusing()
    with pytest.raises(SettingError, match="came on while it was set, and is off again"):
        try_settings(supply, ["1"])
    assert not supply.on


def test_a_supply_that_cannot_tell_its_state_is_not_set() -> None:
    supply = Supply(tells=False)
    assert "its settings are not tried" in try_settings(supply, ["1"])[0]
    assert supply.set_to == []


@pytest.mark.parametrize(
    ("probing", "channel"),
    [
        ({"routes": {"TP1": "101"}, "short": "120", "bleed": {"ohms": "10k", "route": "119"}}, "120"),
        ({"routes": {"TP1": "101"}, "bleed": {"ohms": "10k", "route": "119"}}, "119"),
        ({"routes": {"TP1": "101"}}, "101"),
        ({}, ""),
    ],
)
def test_the_relay_that_touches_the_board_least(probing: dict[str, Any], channel: str) -> None:
    assert harmless_channel(Probing.model_validate(probing))[0] == channel
