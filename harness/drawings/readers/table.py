"""Lists of parts and of places as CSV (any separator, any code page) or as a workbook: columns found by what they hold.

Rows before the headings are passed over (a unit named there is taken); lists of references are taken apart; marks for
"not fitted" are understood. Places may be in millimetres, mils, inches or micrometres: the heading, a cell or a line
above says so; where nothing does, `Design.remarks` says that millimetres were taken.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from wakeboard.harness.describe.problems import nearest, one_of, quoted
from wakeboard.harness.drawings.design import Design, DrawnPart, Where
from wakeboard.harness.drawings.lists.columns import ROLES, find_columns, heading_score
from wakeboard.harness.drawings.lists.contents import NOT_FITTED, first_row
from wakeboard.harness.drawings.places.sides import SIDES
from wakeboard.harness.drawings.references import REFERENCE, listed
from wakeboard.harness.drawings.source import Source, Trouble

from . import Options

WHAT: Final = "a list of parts or places (CSV or workbook)"
SEPARATORS: Final = ",;\t|"
MOST_CELLS: Final = 400  # a bound on input, far above the lists tried
MOST_LINES: Final = 500_000
"""A list of a board's parts has some thousands; what is longer takes minutes and gigabytes before it is refused."""

_MM: Final = {"mm": 1.0, "millimetre": 1.0, "millimeter": 1.0, "mil": 0.0254, "mils": 0.0254, "thou": 0.0254,
              "in": 25.4, "inch": 25.4, "inches": 25.4, "um": 1e-3, "µm": 1e-3, "cm": 10.0}  # fmt: skip
_UNIT: Final = re.compile(r"\b(mm|millimet(?:re|er)s?|mils?|thou|inch(?:es)?|um|µm)\b", re.IGNORECASE)
_LENGTH: Final = re.compile(r"([-+]?[0-9]*[.,]?[0-9]+)\s*([a-zµ\"]*)\Z", re.IGNORECASE)
_YES: Final = ("yes", "y", "true", "1", "x", "ja", "oui", "dnp", "dnf", "dnm", "excluded", "exclude", "✓", "dni")
_NO: Final = (
    "no",
    "n",
    "false",
    "0",
    "nein",
    "non",
    "not fitted",
    "dnp",
    "dnf",
    "-",
    "np",
    "nm",
    "not mounted",
    "no montado",
    "nie",
    "nee",
    "нет",
    "否",
)


@dataclass
class _Table:
    """Rows with the line on which each began."""

    headings: list[str]
    rows: list[list[str]]
    lines: list[int]
    heading_line: int
    before: list[list[str]] = field(default_factory=list)


def tells(source: Source) -> int:
    if source.is_workbook:
        return 60
    if source.head.lstrip()[:1] in ("<", "(", "["):
        return 0
    rows = _rows(source.head, _separator(source.head))[:40]
    score = max((heading_score(cells) for cells, _ in rows if len(cells) > 1), default=0)
    if score >= 2:
        return min(40 + 5 * score, 80)
    return 42 if _separator(source.head) != " " and first_row([cells for cells, _ in rows]) is not None else 0


def read(source: Source, options: Options) -> Design:
    """Values, marks and places by reference. Raises FileProblems with line and column."""
    table = _table(source)
    try:
        roles = find_columns(table.headings, table.rows, options.columns)
    except LookupError as error:
        role, wanted = error.args
        raise source.wrong(
            table.heading_line, 1, f"no column {quoted(wanted)} for {role}", one_of(filter(None, table.headings), 20),
            nearest(wanted, table.headings),
        ) from None  # fmt: skip
    if "reference" not in roles:
        raise source.wrong(
            table.heading_line, 1, "no column of references", 'one with R1, C4-C7 …, or --columns "reference=HEADING"'
        )
    return _Reading(source, table, roles).design()


# --- rows -----------------------------------------------------------------------------------------------------------
def _table(source: Source) -> _Table:
    if not source.is_workbook and source.raw.count(b"\n") > MOST_LINES:
        raise source.wrong(MOST_LINES + 1, 1, f"more than {MOST_LINES} lines", "a list of one board's parts or places")
    rows = _workbook(source) if source.is_workbook else _rows(source.text, _separator(source.text))
    head, headings = _headings(rows)
    if not headings:
        raise source.wrong(1, 1, "no row of headings", "headings such as Reference, Value, X, Y, or rows with R1, C4 …")
    body = [(cells, line) for cells, line in rows[head + 1 :] if any(cells)]
    return _Table(
        headings, [cells for cells, _ in body], [line for _, line in body], rows[max(head, 0)][1],
        [cells for cells, _ in rows[: max(head, 0)]],
    )  # fmt: skip


def _headings(rows: Sequence[tuple[list[str], int]]) -> tuple[int, list[str]]:
    """(its row, the headings): the row that names the most roles, else the last one above the references; where none
    is above them the row is -1 and columns go by number. No headings: this is no list."""
    head = max(range(min(len(rows), 60)), key=lambda i: (heading_score(rows[i][0]), -i), default=-1)
    if head >= 0 and heading_score(rows[head][0]) >= 2:
        return head, rows[head][0]
    first = first_row([cells for cells, _ in rows])
    if first is None:
        return -1, []
    width = len(rows[first][0])
    above = next((k for k in range(first - 1, -1, -1) if sum(map(bool, rows[k][0])) >= 2), -1)
    names = rows[above][0] if above >= 0 else []
    return above, [name or str(k) for k, name in enumerate([*names, *[""] * (width - len(names))], 1)]


def _separator(text: str) -> str:
    """The separator that most of the first lines agree on; a table of blanks is one of columns two blanks apart."""
    lines = [line for line in text[:20000].splitlines() if line.strip()][:60]
    best = max(SEPARATORS, key=lambda mark: sum(min(line.count(mark), 8) for line in lines))
    return best if sum(best in line for line in lines) >= 0.4 * len(lines) and lines else " "


def _rows(text: str, separator: str) -> list[tuple[list[str], int]]:
    """(cells, line) of every row; a quoted cell may hold line ends."""
    if separator == " ":
        return _blank_rows(text)
    reader = csv.reader(io.StringIO(text.replace("\0", "")), delimiter=separator, skipinitialspace=True)
    rows: list[tuple[list[str], int]] = []
    line = 1
    try:
        for cells in reader:
            rows.append(([cell.strip() for cell in cells[:MOST_CELLS]], line))
            line = reader.line_num + 1
    except csv.Error:  # a cell beyond csv's limit: what came before stands, and is judged
        pass
    return rows


def _blank_rows(text: str) -> list[tuple[list[str], int]]:
    """Columns two blanks apart; a row that then has another number of cells than the headings: one blank apart."""
    lines = [(line.strip(" \t#"), number) for number, line in enumerate(text.splitlines(), 1) if line.strip(" \t#")]
    wide = [(re.split(r"\s{2,}|\t", line), line, number) for line, number in lines]
    heads = [cells for line, _ in lines[:60] for cells in (re.split(r"\s{2,}|\t", line), line.split())]
    count = len(max(heads, key=heading_score, default=[]))
    return [
        ([cell.strip('" ') for cell in (line.split() if len(cells) != count == len(line.split()) else cells)], number)
        for cells, line, number in wide
    ]


def _workbook(source: Source) -> list[tuple[list[str], int]]:
    try:
        import openpyxl  # noqa: F401  pandas needs it
        import pandas as pd
    except ImportError:
        allowed = "CSV, or a workbook after: pip install 'wakeboard[spreadsheet]'"
        raise source.wrong(0, 0, "a workbook", allowed) from None
    import warnings

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sheets = pd.read_excel(io.BytesIO(source.raw), sheet_name=None, header=None, dtype=str, engine="openpyxl")
    except Exception as error:  # noqa: BLE001  a broken archive raises whatever its reader meets
        raise source.wrong(0, 0, f"a broken workbook: {str(error)[:60]}", "a whole .xlsx file") from None
    best: list[tuple[list[str], int]] = []
    for sheet in sheets.values():
        cells = sheet.fillna("").values.tolist()
        rows = [([str(cell).strip() for cell in row], number) for number, row in enumerate(cells, 1)]
        if max((heading_score(row) for row, _ in rows[:60]), default=0) > max(
            (heading_score(row) for row, _ in best[:60]), default=0
        ):
            best = rows
    return best


# --- cells ----------------------------------------------------------------------------------------------------------
class _Reading:
    def __init__(self, source: Source, table: _Table, roles: dict[str, int]) -> None:
        self.source, self.table, self.roles = source, table, roles
        self.trouble = Trouble(source)
        self.result = Design()
        self.unit = self._unit()

    def design(self) -> Design:
        shown = ", ".join(
            f"{role} = {quoted(self.table.headings[i])}" for role, i in self.roles.items() if role in ROLES
        )
        self.result.remarks.append(f"{self.source.short}: {shown}")
        for cells, line in zip(self.table.rows, self.table.lines, strict=True):
            self._row(cells, line)
        self.trouble.end()
        if not self.result.parts:
            raise self.source.wrong(self.table.heading_line, 1, "no reference in any row", "R1, C4-C7 and the like")
        return self.result

    def cell(self, cells: Sequence[str], role: str) -> str:
        index = self.roles.get(role, -1)
        return cells[index].strip() if 0 <= index < len(cells) else ""

    def _row(self, cells: Sequence[str], line: int) -> None:
        names = listed(self.cell(cells, "reference"))
        if not any(REFERENCE.match(name) for name in names):
            return  # a total, a note, a group's title
        for name in names:
            if REFERENCE.match(name):
                self._part(name, cells, line)

    def _part(self, name: str, cells: Sequence[str], line: int) -> None:
        where = Where(self.source.short, line)
        new = DrawnPart(name)
        for word in ("value", "number", "description", "footprint"):
            found = self.cell(cells, word)
            if found and found.casefold() not in ("n/a", "none", "-"):
                setattr(new, word, found)
                new.said[word] = where
        new.price = _money(self.cell(cells, "price"))
        new.fitted = self._fitted(cells)
        if new.fitted is not None:
            new.said["fitted"] = where
        self._place(new, cells, line, where)
        pin, net = self.cell(cells, "pin"), self.cell(cells, "net")
        if pin and net:
            new.pins[pin] = net
            new.said["pins"] = where
        self._keep(new, line)

    def _keep(self, new: DrawnPart, line: int) -> None:
        old = self.result.parts.get(new.name)
        if old is None:
            self.result.parts[new.name] = new
            return
        if new.pins and not set(new.pins) & set(old.pins):
            old.pins.update(new.pins)
            return
        same = (old.value, old.number, old.x, old.y) == (new.value, new.number, new.x, new.y)
        if not same:
            first = old.said.get("value") or old.said.get("place") or "further up"
            self.trouble.add(
                line, self._column("reference"), f"{new.name} again", f"each reference once; first: {first}"
            )

    def _column(self, role: str) -> int:
        """The column's number, from 1."""
        return self.roles.get(role, 0) + 1

    def _fitted(self, cells: Sequence[str]) -> bool | None:
        mark, fitted = self.cell(cells, "unfitted"), self.cell(cells, "fitted")
        if mark.casefold() in _YES or NOT_FITTED.search(mark):
            return False
        if fitted and (fitted.casefold() in _NO or NOT_FITTED.search(fitted)):
            return False
        if any(NOT_FITTED.search(self.cell(cells, word)) for word in ("value", "description", "number")):
            return False
        if "quantity" in self.roles and self.cell(cells, "quantity") == "0":
            return False
        return True if fitted or "unfitted" in self.roles else None

    # --- places ---
    def _unit(self) -> float | None:
        """Millimetres to one of the table's units; None where nothing says."""
        if "x" not in self.roles:
            return None
        heading = self.table.headings[self.roles["x"]]
        for text in [heading, *(" ".join(cells) for cells in self.table.before[::-1])]:
            match = _UNIT.search(text.replace("_", " "))
            if match:
                return _factor(match[1])
        return None

    def _place(self, new: DrawnPart, cells: Sequence[str], line: int, where: Where) -> None:
        x_text, y_text = self.cell(cells, "x"), self.cell(cells, "y")
        if not (x_text and y_text):
            return
        x, y = self._length(x_text, "x", line), self._length(y_text, "y", line)
        if x is None or y is None:
            return
        side = self.cell(cells, "side").casefold()
        if side and side not in SIDES:
            self._unknown_side(side, line)
        new.x, new.y, new.side = x, y, SIDES.get(side, "")  # type: ignore[assignment]
        turned = _LENGTH.match(self.cell(cells, "rotation").rstrip("°"))
        new.rotation = float(turned[1].replace(",", ".")) if turned else 0.0
        new.said["place"] = where

    def _unknown_side(self, side: str, line: int) -> None:
        """In a language that is not known yet; the netlist's pads say the side too. A number is none in any."""
        if not any(map(str.isalpha, side)):
            self.trouble.add(line, self._column("side"), quoted(side), "top or bottom")
        remark = f"{self.source.short}: {quoted(side)} is no known word for a side: left out"
        if remark not in self.result.remarks:
            self.result.remarks.append(remark)

    def _length(self, text: str, role: str, line: int) -> float | None:
        match = _LENGTH.match(text)
        unit = match[2].casefold().replace('"', "in") if match else ""
        if not match or (unit and unit not in _MM):
            self.trouble.add(line, self._column(role), quoted(text), "a length, such as 12.7, 12.7mm or 500mil")
            return None
        scale = _MM[unit] if unit else self.unit
        if scale is None:
            self.unit = scale = 1.0
            self.result.remarks.append(f"{self.source.short}: no unit of length is named; millimetres taken")
        return float(match[1].replace(",", ".")) * scale


def _money(text: str) -> float | None:
    """A price whatever its currency; None where it is none."""
    match = re.search(r"[0-9]+(?:[.,][0-9]+)?", text)
    return float(match[0].replace(",", ".")) if match else None


def _factor(word: str) -> float:
    text = word.casefold()
    return _MM.get(text) or _MM.get(text.rstrip("s")) or 1.0
