"""Makes the reference tables in tests/data/ngspice from ngspice: `python tests/circuit/ngspice_tables.py`.

operating_points.csv: case, node, volts; transients.csv: case, node, seconds, volts. The suite holds the solver against
them where ngspice is not installed (test_spice_ngspice.py); where it is, against ngspice itself as well. Cases are in
ngspice_cases.py. Make them anew when a case or a part kind's equations change, and look at what changed.
"""

from __future__ import annotations

import csv
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

import ngspice_cases as cases  # noqa: E402
import ngspice_run  # noqa: E402
import ngspice_transients as transient_cases  # noqa: E402

FOLDER = Path(__file__).parents[1] / "data" / "ngspice"
OPERATING_POINTS = FOLDER / "operating_points.csv"
TRANSIENTS = FOLDER / "transients.csv"


def read(file: Path) -> dict[str, list[tuple[str, ...]]]:
    """Rows by case."""
    lines = [line for line in file.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    rows: dict[str, list[tuple[str, ...]]] = {}
    for name, *rest in list(csv.reader(lines))[1:]:
        rows.setdefault(name, []).append(tuple(rest))
    return rows


def _write(file: Path, head: list[str], rows: Iterable[tuple[object, ...]], options: str) -> None:
    with file.open("w", encoding="utf-8", newline="\n") as out:
        out.write(f"# {ngspice_run.version()}, 27 °C, {options}\n# made by tests/circuit/ngspice_tables.py\n")
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(head)
        writer.writerows(rows)


def operating_points(folder: Path) -> Iterable[tuple[object, ...]]:
    for name in cases.names():
        case = cases.case(name)
        found = ngspice_run.operating_point(case.netlist, case.nodes.values(), folder)
        for net, node in case.nodes.items():
            if node != "0":
                yield name, net, repr(found[node])


def transients(folder: Path) -> Iterable[tuple[object, ...]]:
    for name, each in transient_cases.TRANSIENTS.items():
        found = ngspice_run.transient(f"{name}\n{each.netlist}\n", each.net, each.times, each.step, folder)
        for at, volts in zip(each.times, found, strict=True):
            yield name, each.net, repr(at), repr(volts)


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        _write(OPERATING_POINTS, ["case", "net", "volts"], operating_points(Path(folder)), ngspice_run.OPTIONS)
        _write(TRANSIENTS, ["case", "net", "seconds", "volts"], transients(Path(folder)), ngspice_run.TRANSIENT_OPTIONS)


if __name__ == "__main__":
    main()
