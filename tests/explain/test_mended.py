"""For each of Skep's units, through the command line: run, explain, do what it proposes, note it, run again.

What was odd passes afterwards, and no reading was left unexplained: none was taken before its net had arrived, neither
under the second load of a rail that is fed weakly (SK-A-002) nor while a transistor charges the cell's net.

One flaw is designed in and stays, since no rework proposed here touches it: the I2C pull-ups stand on the always-on
rail and feed the switched-off sensor rail, so the step "back-feed" goes on failing at +3V3_SENS, and nothing else does.
"""

from __future__ import annotations

import json
import runpy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.cli import execute

TOOLS = runpy.run_path(str(Path(__file__).with_name("skep_bench.py")))

CHECK = """
title = "Check"
board = "board.toml"

[[step]]
do = "resistance"
of = ["USB", "V33"]
expect = "> 100 Ω"

[[step]]
do = "resistance"
of = "VSYS"
expect = "> 50 kΩ"

[[step]]
do = "power on"
supply = "USB"
limit = "120 mA"
ramp = "0.5 V every 20 ms"
expect = "< 40 mA"
on_fail = "go on"

[[step]]
do = "back-feed"
expect = "< 0.3 V"
on_fail = "go on"

[[step]]
do = "rails"

[[step]]
do = "line"
of = "every line"

[[step]]
do = "power off"
"""

# What each unit's proposals come to in the fault language, values left out: repairs, and bodges on a line.
DONE = {
    "SK-A-001": {"RADIO_RST+GND:bridge"},
    "SK-A-002": {"D3:as_drawn", "RADIO_RST+GND:bridge"},
    "SK-A-003": {"+3V3+GND:as_drawn", "RADIO_RST+GND:bridge"},
    "SK-A-004": {"U2:as_drawn", "RADIO_RST+GND:bridge"},
    "SK-A-005": {"R14:as_drawn", "RADIO_RST+GND:bridge"},
}
ROUNDS = 3  # a rail that is down hides what stands behind it until it is mended


@pytest.fixture
def wakeboard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Any:
    """wakeboard("run", …) -> the JSON document of the command, in a folder with the board."""
    TOOLS["skep_folder"](tmp_path)
    (tmp_path / "check.toml").write_text(CHECK, encoding="utf-8")
    monkeypatch.chdir(tmp_path)

    def command(*arguments: str) -> Any:
        code = execute([*arguments, "--json", "--no-input"])
        told = capsys.readouterr()
        assert code in (0, 1), told.err
        return json.loads(told.out)

    return command


def proposals(explained: Any) -> list[tuple[str, str]]:
    """(what is noted, its meaning in the fault language) of each repair and bodge that is proposed."""
    repairs = [(each["note"], each["rework"]) for each in explained["repairs"]]
    bodges = [(b["says"].partition(" (")[0], b["rework"]) for line in explained["lines"] if (b := line["bodge"])]
    return repairs + [(note, fault) for note, fault in bodges if fault]


def odd(run: Any) -> dict[str, list[str]]:
    """Kind of step -> nets whose readings did not pass."""
    found: dict[str, list[str]] = {}
    for step in run["steps"]:
        for reading in step["readings"]:
            if reading["outcome"] != "pass":
                found.setdefault(step["kind"], []).append(reading["of"])
    return found


@pytest.mark.parametrize("unit", TOOLS["UNITS"])
def test_what_is_proposed_mends_the_unit(wakeboard: Callable[..., Any], unit: str) -> None:
    run = wakeboard("run", "check.toml", "--unit", unit)
    assert odd(run)
    done: set[str] = set()
    for _ in range(ROUNDS):
        explained = wakeboard("explain", run["run"], "--alone")
        proposed = proposals(explained)
        if not proposed:
            break
        assert explained["candidates"][0]["leaves"] == []
        for note, fault in proposed:
            wakeboard("rework", unit, note, "--fault", fault)
            done.add(fault.partition("=")[0])
        run = wakeboard("run", "check.toml", "--unit", unit)
    assert done == DONE[unit]
    assert odd(run) == {"back-feed": ["+3V3_SENS"]}
    line = next(r for s in run["steps"] if s["kind"] == "line" for r in s["readings"] if r["of"] == "RADIO_RST")
    assert line["outcome"] == "pass"
    assert run["outputs_off"] is True
    assert len(wakeboard("unit", unit)["rework"]) == len(done)


def test_a_plant_of_the_units_file_is_taken_back_for_one_run(wakeboard: Callable[..., Any]) -> None:
    run = wakeboard("run", "check.toml", "--unit", "SK-A-002", "--plant", "D3:as_drawn")
    assert set(odd(run)) <= {"back-feed", "line"}
    assert set(odd(run).get("line", [])) == {"RADIO_RST"}
