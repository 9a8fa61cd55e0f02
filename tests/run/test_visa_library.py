"""Any VISA library: the one that the bench file names takes a first power-on, over GPIB, USB and VXI-11 addresses.

The library is a second one, written to PyVISA's documented interface (tests/drivers/pyvisa_second); the guard's
process, isolated, must find it as well.
"""

from __future__ import annotations

import errno
import gc
import importlib
import json
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.cli.virtual import bench_toml
from wakeboard.harness.describe.load import load_bench, load_board, load_sequence
from wakeboard.harness.run.bench.virtual import virtual_bench
from wakeboard.instruments.errors import LinkRefused, VisaMissing
from wakeboard.instruments.link import missing
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.link.resource import library
from wakeboard.instruments.virtual.wire.server import running
from wakeboard.results.store.store import Store

SECOND = Path(__file__).parents[1] / "drivers" / "pyvisa_second"
ADDRESSES = {
    "supply": "GPIB0::5::INSTR",
    "meter": "USB0::0x2A8D::0x0101::MY1::0::INSTR",
    "scanner": "TCPIP0::192.0.2.9::inst0::INSTR",
}


@pytest.fixture
def second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """pyvisa_second as an installed package; the file that says where its addresses lead."""
    shutil.copytree(SECOND, tmp_path / "site-packages" / "pyvisa_second")
    monkeypatch.syspath_prepend(str(tmp_path / "site-packages"))
    importlib.invalidate_caches()
    sys.modules.pop("pyvisa_second", None)
    leads = tmp_path / "leads.json"
    leads.write_text("{}")
    monkeypatch.setenv("WAKEBOARD_SECOND_VISA", str(leads))
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path / "locks"))
    return leads


def test_a_first_power_on_over_another_library(second: Path, make_toy: Any, tmp_path: Path) -> None:
    from wakeboard.harness.run.session import take_unit

    (tmp_path / "toy").mkdir()
    toy = make_toy(tmp_path / "toy")
    bench = virtual_bench(load_board(toy.folder / "board.toml"), unit="T-1", transients=False)
    with running(bench) as served:
        described = bench.bench_description(served.instruments)
        ports = {name: int(entry["address"].split("::")[2]) for name, entry in described["instruments"].items()}
        second.write_text(json.dumps({ADDRESSES[name]: port for name, port in ports.items()}))
        for name, entry in described["instruments"].items():
            entry["address"] = ADDRESSES[name]
        described.pop("links", None)
        text = bench_toml("Toy", "T-1", {"visa": "@second", **described})
        (toy.folder / "bench.toml").write_text(text)
        (toy.folder / "first.toml").write_text(FIRST)
        sequence = load_sequence(toy.folder / "first.toml")
        with Store.open(tmp_path / "store.db") as store:
            file = load_bench(toy.folder / "bench.toml", sequence.board)
            result = take_unit(sequence, unit="T-1", described=file, store=store, energise=True)
    steps = result.record.steps
    assert [step.outcome for step in steps] == ["pass"] * 3, [step.says for step in steps]
    assert result.off.confirmed


FIRST = """
title = "First power"
board = "board.toml"
[[step]]
do = "resistance"
of = "every supply"
expect = "> 1 kΩ"
[[step]]
do = "power on"
supply = "USB"
limit = "120 mA"
expect = "5 .. 60 mA"
[[step]]
do = "power off"
"""


def test_the_bench_file_goes_before_the_variable(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PYVISA_LIBRARY", raising=False)
    assert library() == "@py"
    monkeypatch.setenv("PYVISA_LIBRARY", "@ivi")
    assert library() == "@ivi"
    assert library("/opt/libvisa.so") == "/opt/libvisa.so"


@pytest.mark.parametrize(
    ("visa", "says"),
    [
        ("@nosuch", "no package pyvisa_nosuch"),
        ("/no/such/libvisa.so", "/no/such/libvisa.so cannot be loaded"),
        ("@ivi", "no VISA library of a maker is installed"),
    ],
)
def test_a_library_that_is_missing(visa: str, says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path))
    with pytest.raises(VisaMissing, match=says):
        Link.open("GPIB0::5::INSTR", name="supply", visa=visa)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning", "ignore:unclosed:ResourceWarning")
def test_a_refused_hislip_link_in_plain_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path))
    with pytest.raises(LinkRefused, match="no HiSLIP server answers there") as told:
        Link.open("TCPIP::127.0.0.1::hislip0,1::INSTR", name="supply", visa="@py")
    assert "VI_ERROR" not in str(told.value)
    del told
    gc.collect()  # PyVISA-py 0.8.1 leaves the refused socket open


@pytest.mark.parametrize(("address", "extra"), [("USB0::0x1AB1::0x0588::S::INSTR", "usb"), ("GPIB0::5::INSTR", "gpib")])
def test_a_driver_that_is_missing(address: str, extra: str) -> None:
    """The text is PyVISA-py 0.8.1's."""
    error = ValueError("Please install PyUSB to use this resource type.\nNo module named 'usb'")
    assert f"wakeboard[{extra}]" in missing.advice(address, error)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="udev")
@pytest.mark.parametrize(
    ("address", "line"),
    [
        ("USB0::6833::0x0588::S::INSTR", 'SUBSYSTEM=="usb", ATTR{idVendor}=="1ab1", ATTR{idProduct}=="0588"'),
        ("GPIB0::5::INSTR", 'KERNEL=="gpib[0-9]*"'),
        ("ASRL/dev/ttyUSB0::INSTR", "usermod -aG dialout"),
    ],
)
def test_a_right_that_is_missing(address: str, line: str) -> None:
    """Forms of udev(7)."""
    assert line in missing.advice(address, PermissionError(errno.EACCES, "Access denied (insufficient permissions)"))


@pytest.mark.parametrize(
    ("address", "says"),
    [
        ("TCPIP::127.0.0.1::5025::SOCKET", "`wakeboard virtual` runs"),
        ("TCPIP0::localhost::5025::SOCKET", "`wakeboard virtual` runs"),
        ("TCPIP::192.0.2.10::5025::SOCKET", "switched on in its LAN settings"),
    ],
)
def test_a_port_at_which_nobody_listens(address: str, says: str) -> None:
    told = missing.advice(address, ConnectionRefusedError(errno.ECONNREFUSED, "Connection refused"))
    assert says in told
    assert "connection refused" in told


def test_the_extras_that_are_named_exist() -> None:
    import tomllib

    text = (Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8")
    extras = tomllib.loads(text)["project"]["optional-dependencies"]
    assert {"usb", "gpib", "discovery"} <= set(extras)
