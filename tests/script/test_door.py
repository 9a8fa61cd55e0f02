"""The public door: what it promises is there, is lazy, refuses what a sequence refuses, and leaves everything off."""

from __future__ import annotations

import doctest
import importlib
import json
import os
import signal
import subprocess
import sys

import pytest

import wakeboard as wb
from wakeboard.harness.run.guard.owner import OffReport

FLAGS = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


@pytest.mark.parametrize("name", ["seat", "doors", "tables"])
@pytest.mark.timeout(300)
def test_the_examples_of_the_page_run(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    ran = doctest.testmod(importlib.import_module(f"wakeboard.harness.script.{name}"), optionflags=FLAGS)
    assert (ran.attempted > 1, ran.failed) == (True, 0)


def test_every_name_of_the_door_opens_and_is_documented():
    for name in wb.__all__:
        assert getattr(wb, name).__doc__, name
    assert set(wb.__all__) <= set(dir(wb))
    with pytest.raises(AttributeError, match="nonsense"):
        wb.nonsense  # noqa: B018


def test_the_door_loads_nothing_until_it_is_asked():
    code = "import sys, json, wakeboard; wakeboard.__version__; json.dump(sorted(sys.modules), sys.stdout)"
    loaded = json.loads(subprocess.run([sys.executable, "-c", code], capture_output=True, check=True).stdout)
    heavy = {"numpy", "pandas", "pydantic", "sqlalchemy", "scipy", "numba", "click", "rich", "matplotlib", "pyvisa"}
    assert heavy & set(loaded) == set()


def outputs(bench):
    """What the virtual supplies themselves say, behind every driver."""
    return [out.on for each in bench.virtual.instruments.values() if hasattr(each, "supply")
            for out in each.supply.outputs]  # fmt: skip


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, SystemExit])
def test_the_bench_is_off_whatever_ends_the_block(skep, error):
    with pytest.raises(error), wb.at_bench(skep / "board.toml", unit="SK-A-001") as bench:  # noqa: PT012
        bench.check("USB")
        bench.power("USB", limit=0.12)
        opened = bench._bench
        assert any(outputs(opened))
        raise error("in the middle")
    assert not any(outputs(opened))
    assert bench.result.off.confirmed
    assert bench.result.record.steps[-1].kind == "discharge"
    with pytest.raises(wb.Refused, match="closed"):
        bench.read("+3V3")


@pytest.mark.parametrize("unheard", [False, True])
def test_what_is_on_is_told_after_an_interrupt(skep, monkeypatch, unheard):
    """In a notebook the cell has ended, and the bench is still there. Before, it named what had been switched off."""
    bench = wb.at_bench(skep / "board.toml", unit="SK-A-001").__enter__()
    bench.check("USB")
    bench.power("USB", limit="120 mA")
    assert bench.on == {"USB": (5.0, 0.12)}
    opened = bench._bench
    with monkeypatch.context() as patch:
        patch.setattr(opened.meter, "measure", lambda *_: signal.raise_signal(signal.SIGINT))
        if unheard:
            patch.setattr(opened.guard, "all_off", lambda: OffReport({"USB": "unknown"}, {}))
        with pytest.raises(KeyboardInterrupt):
            bench.read("+3V3")
        assert set(bench.on) == ({"USB"} if unheard else set())
    assert bench.ended_by
    bench.close()
    assert not any(outputs(opened))


def test_what_a_sequence_would_be_refused_for_is_refused(skep):
    with wb.at_bench(skep / "board.toml", unit="SK-A-001") as bench:
        for says, call in [
            ("nothing is energised without one", lambda: bench.power("USB")),
            ("before its check for a short", lambda: bench.power("USB", limit="120 mA")),
            ("more than zero", lambda: bench.power("USB", limit=-1, why="try")),
            ('did you mean "USB"', lambda: bench.power("USBB", limit="120 mA")),
            ("no supply on", lambda: bench.read("+3V3")),
            ("no supply on", lambda: bench.step(do="rails")),
            ('did you mean "volts"', lambda: bench.step(do="vlots", of=["+3V3"])),
            ('the unknown key "limits"', lambda: bench.step(do="back-feed", limits="x")),
        ]:
            with pytest.raises(wb.Refused, match=says):
                call()
        assert not any(outputs(bench._bench))
        assert bench.check("USB").outcome == "pass"  # a refusal ends nothing
        bench.power("USB", limit="120 mA")
        with pytest.raises(wb.Refused, match="on already"):
            bench.power("USB", limit="120 mA")
        with pytest.raises(wb.Refused, match='"resistance" while USB is on'):
            bench.check("CELL")
    assert [step.outcome for step in bench.result.record.steps[:2]] == ["pass", "pass"]


def test_a_check_that_fails_is_no_check(skep):
    """Played on paper the check has run; on the bench it has failed."""
    with wb.at_bench(skep / "board.toml", unit="X", plants=["VUSB+GND:bridge=2"]) as bench:
        assert bench.step(do="resistance", of="USB", on_fail="go on").outcome == "fail"
        with pytest.raises(wb.Refused, match="has not passed"):
            bench.power("USB", limit="120 mA")
        assert not bench.on


def test_a_failure_that_ends_a_sequence_ends_the_sitting_with_the_power_off(skep):
    with wb.at_bench(skep / "board.toml", unit="X", plants=["+3V3+GND:bridge=2"]) as bench:
        bench.check("USB")
        with pytest.raises((wb.Tripped, wb.Refused)):  # noqa: PT012
            for _ in range(2):
                bench.power("USB", limit="120 mA", expect="< 40 mA")
                bench.read("+3V3")
                bench.step(do="power off")
        assert not any(outputs(bench._bench))
        assert bench.ended_by


def test_a_real_bench_is_not_energised_without_a_word(skep, tmp_path):
    bench = tmp_path / "bench.toml"
    bench.write_text(
        '[instruments.s]\nkind = "psu"\naddress = "TCPIP::127.0.0.1::1::SOCKET"\nfeeds = { 1 = "USB", 2 = "CELL", 3 = '
        '"PANEL" }\n[instruments.m]\nkind = "dmm"\naddress = "TCPIP::127.0.0.1::2::SOCKET"\n[probing]\nby = "hand"\n'
    )
    with pytest.raises(wb.Refused, match="nobody is there to press the key"):
        wb.run(skep / "first-power-on.toml", unit="SN1", bench=bench)
    with pytest.raises(wb.BenchError), wb.at_bench(skep / "board.toml", unit="SN1", bench=bench):
        pass
    with pytest.raises(wb.Refused, match="virtual bench only"):
        wb.at_bench(skep / "board.toml", unit="SN1", bench=bench, plants=["D3:reversed"])


@pytest.mark.parametrize("patience", [float("nan"), float("inf"), 1e12, 0, -1, "30 s", None, True])
def test_patience_is_a_number_of_seconds_and_has_an_end(skep, patience):
    with pytest.raises(wb.Refused, match=r"patience: found .*; allowed: a number of seconds, up to 600"):
        wb.at_bench(skep / "board.toml", unit="SK-A-001", patience=patience)


def test_a_blank_reason_is_none(skep):
    with wb.at_bench(skep / "board.toml", unit="SK-A-001") as bench:
        with pytest.raises(wb.Refused, match=r"why: .*a reason in words"):
            bench.power("USB", limit="120 mA", why="  ")
        assert not bench.on


def test_an_inrush_has_an_end(skep):
    with wb.at_bench(skep / "board.toml", unit="SK-A-001") as bench:
        bench.check("USB")
        with pytest.raises(wb.Refused, match=r"inrush: .*at most 600 s"):
            bench.power("USB", limit="120 mA", inrush="1e6 s")


@pytest.mark.skipif(not hasattr(os, "fork"), reason="POSIX")
def test_a_forked_copy_leaves_the_bench_to_its_parent(skep):
    """A child that unwinds the block would switch off over its parent's links, and end its parent's run."""
    with wb.at_bench(skep / "board.toml", unit="SK-A-001") as bench:
        bench.check("USB")
        bench.power("USB", limit="120 mA")
        pid = os.fork()
        if pid == 0:
            bench.close()
            try:
                bench.read("+3V3")
            except wb.Refused as refused:
                os._exit(0 if "forked" in str(refused) and bench.result is None else 1)
            os._exit(2)
        assert os.waitpid(pid, 0)[1] == 0
        assert 3.2 < bench.read("+3V3").value < 3.4
    assert bench.result.off.confirmed


def test_a_press_before_presses_are_held_does_not_lose_the_switching_off(skep, monkeypatch):
    from wakeboard.harness.run import presses

    guarded, waiting = presses.guarded, [KeyboardInterrupt()]

    def pressed(*also):
        if waiting:
            raise waiting.pop()
        return guarded(*also)

    with pytest.raises(KeyboardInterrupt), wb.at_bench(skep / "board.toml", unit="SK-A-001") as bench:  # noqa: PT012
        bench.check("USB")
        bench.power("USB", limit="120 mA")
        opened = bench._bench
        monkeypatch.setattr(presses, "guarded", pressed)
    assert not any(outputs(opened))
    assert bench.result.off.confirmed


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
def test_a_first_ctrl_c_switches_off_and_a_second_does_not_disturb(skep, monkeypatch):
    from wakeboard.harness.run.runner import Runner

    finish, pressed = Runner.finish, []

    def pressed_again(self):
        signal.raise_signal(signal.SIGINT)
        pressed.append(True)
        return finish(self)

    monkeypatch.setattr(Runner, "finish", pressed_again)
    with pytest.raises(KeyboardInterrupt), wb.at_bench(skep / "board.toml", unit="SK-A-001") as bench:  # noqa: PT012
        bench.check("USB")
        bench.power("USB", limit="120 mA")
        opened = bench._bench
        signal.raise_signal(signal.SIGINT)
    assert pressed
    assert not any(outputs(opened))
    assert bench.result.record.says.startswith("stopped by the operator")


def test_tables_carry_their_units(skep):
    store = skep / "wakeboard.db"
    with wb.at_bench(skep / "board.toml", unit="SK-A-001", store=store) as bench:
        bench.check("USB")
        bench.power("USB", limit="120 mA")
        seen = bench.read("+3V3", expect="3.2 .. 3.4 V")
    table = wb.frame(bench.result)
    kept = wb.frame(store)
    assert list(table.columns) == list(kept.columns)
    assert table.attrs["units"]["time"] == kept.attrs["units"]["time"] == "s"
    row = table[table["step_name"] == "read +3V3"].to_dict("records")[0]
    assert (row["value"], row["si_unit"], row["outcome"]) == (seen.value, "V", "pass")
    assert table["value"].tolist() == pytest.approx(kept["value"].tolist(), nan_ok=True)
    with pytest.raises(TypeError, match="no table of a int"):
        wb.frame(3)
