"""Runs `ngspice -b` on a netlist and reads back what it prints."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterable
from pathlib import Path

# ngspice's gmin lies across every junction, and so does the solver's: the same here. itl1 for cold starts.
OPTIONS = ".options reltol=1e-9 abstol=1e-15 vntol=1e-12 gmin=1e-12 itl1=1000 itl2=1000"
TRANSIENT_OPTIONS = ".options reltol=1e-6 abstol=1e-12 vntol=1e-9 chgtol=1e-16 gmin=1e-12 itl4=200 method=gear"


def installed() -> str | None:
    """The program where there is one. Under CI=true a missing one is an error: CI installs it."""
    found = shutil.which("ngspice")
    if found is None and os.environ.get("CI") == "true":
        raise RuntimeError("ngspice is not installed, though CI says that it should be (Debian: ngspice)")
    return found


def version() -> str:
    """Such as "ngspice-39"."""
    done = subprocess.run(["ngspice", "--version"], capture_output=True, text=True, timeout=30, check=False)
    found = re.search(r"ngspice-[\d.]+", done.stdout)
    return found[0] if found else "ngspice of unknown version"


def _run(lines: list[str], folder: Path, seconds: float = 100) -> dict[str, float]:
    file = folder / "netlist.cir"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = subprocess.run(["ngspice", "-b", str(file)], capture_output=True, text=True, timeout=seconds, check=False)
    found = {key: float(value) for key, value in re.findall(r"^(\S+)\s*=\s+(\S+)", done.stdout, re.MULTILINE)}
    if not found:
        raise RuntimeError(done.stdout[-2000:] + done.stderr[-2000:])
    return found


def _body(text: str, options: str) -> list[str]:
    dropped = (".op", ".end", ".options", ".nodeset") if "uic" in options else (".op", ".end", ".options")
    return [*(line for line in text.splitlines() if not line.lower().startswith(dropped) or ".ends" in line), options]


def operating_point(text: str, nodes: Iterable[str], folder: Path, seconds: float = 100) -> dict[str, float]:
    """Volts of the nodes of a netlist at its operating point, to 15 digits; subprocess.TimeoutExpired after so long."""
    wanted = {node.lower(): node for node in nodes if node != "0"}
    prints = [f"print v({node})" for node in wanted]
    lines = [*_body(text, OPTIONS), ".control", "set numdgt=15", "op", *prints, ".endc", ".end"]
    found = _run(lines, folder, seconds)
    return {original: found[f"v({node})"] for node, original in wanted.items()}


def transient(text: str, node: str, times: Iterable[float], step: float, folder: Path) -> list[float]:
    """Volts of a node at some times (s), from rest (`uic`), with steps of `step` (s) at most; about six digits."""
    wanted = list(times)
    measures = [f"meas tran t{k} find v({node}) at={at!r}" for k, at in enumerate(wanted)]
    run = f"tran {step!r} {max(wanted) * 1.001!r} 0 {step!r} uic"
    lines = [*_body(text, TRANSIENT_OPTIONS), ".control", run, *measures, ".endc", ".end"]
    found = _run(lines, folder)
    return [found[f"t{k}"] for k in range(len(wanted))]
