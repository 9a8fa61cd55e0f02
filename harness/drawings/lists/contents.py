"""What a column of a list holds, told by what stands in it, whatever its heading says and in whatever language.

    row = first_row(rows)                           where the references begin: what is above it is headings, or a title
    guessed(rows, reference, free)                  role -> column, for columns whose headings tell nothing

A guess is shown to the person like any other column (`--columns` corrects it). Prices are numbers too: two columns of
numbers are places only in a list with one part a row and without quantities.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from typing import Final

from wakeboard.harness.drawings.parts.values import UNITS, marking
from wakeboard.harness.drawings.places.sides import SIDES
from wakeboard.harness.drawings.references import REFERENCE, listed, looks_listed, split

Rows = Sequence[Sequence[str]]
LEAST: Final = 0.7  # of the cells that say anything
MOST_LOOKED_AT: Final = 200  # rows; a column that shows what it holds does so in these
NUMBER: Final = re.compile(r"[-+]?[0-9]+(?:[.,][0-9]+)?\s*(?:mm|mil|mils|in|inch|\"|um|µm)?\Z", re.IGNORECASE)
NOT_FITTED: Final = re.compile(
    r"(?:^|[\s,;/(\[*_-])(?:dnp|dnf|dnm|dni|dns|n\.?\s?m\.?|n\.?\s?p\.?|no[ -]?pop|no[ -]?(?:fit|mount|stuff|load)|"
    r"not\s+(?:fitted|populated|mounted|placed|installed|stuffed)|do\s+not\s+(?:fit|populate|mount|place|install|stuff)|"
    r"unbest(?:ü|ue)ckt|nicht\s+best(?:ü|ue)ckt|(?:non|pas)\s+(?:mont[ée]e?s?|peupl[ée]s?|plac[ée]s?)|ne\s+pas\s+monter|"
    r"no\s+(?:montar|montado|poner)|non\s+mont(?:ato|are)|niet\s+(?:plaatsen|geplaatst)|n[ãa]o\s+montar|"
    r"nie\s+montowa[ćc]|ej\s+monterad|neosazovat|не\s+устанавливать|不贴|不焊|未実装)(?:$|[\s,;/)\]*_-])",
    re.IGNORECASE,
)
_PACKAGE: Final = re.compile(
    r"(?:[RCLD]|SMD|LED|FUS)?[-_ ]?(?:0201|0402|0603|0805|1206|1210|1812|2010|2512)\b|"
    r"(?:H?T?S?SOT?|SOIC|TSSOP|MSOP|V?QFN|DFN|L?T?QFP|BGA|SOD|SM[ABC]|DO|TO|DPAK|PLCC|DIP|SC)[-_]?[0-9]",
    re.IGNORECASE,
)
_CODE: Final = re.compile(r"(?=.*[0-9])(?=.*[A-Za-z])[A-Za-z0-9][A-Za-z0-9/.,+#-]{4,}\Z")


def first_row(rows: Rows) -> int | None:
    """The first row of the longest run of references; None where hardly any column has them."""
    column = reference_column(rows)
    if column is None:
        return None
    return next(k for k, row in enumerate(rows) if column < len(row) and _is_listed(row[column]))


def reference_column(rows: Rows) -> int | None:
    """The column with the most cells of nothing but references."""
    looked = rows[:MOST_LOOKED_AT]
    width = max((len(row) for row in looked), default=0)
    counts = [sum(_is_listed(row[k]) for row in looked if k < len(row)) for k in range(width)]
    best = max(range(width), key=lambda k: counts[k], default=-1)
    return best if best >= 0 and counts[best] >= max(3, 0.3 * len(looked)) and width > 1 else None


def _is_listed(cell: str) -> bool:
    return bool(cell.strip()) and looks_listed(cell)


def guessed(rows: Rows, reference: int, free: Iterable[int], wanted: Iterable[str]) -> dict[str, int]:
    """role -> column, for the roles that are wanted and the columns that are free."""
    rows = [row for row in rows[:MOST_LOOKED_AT] if reference < len(row) and _is_listed(row[reference])]
    left, roles, found = list(free), set(wanted), dict[str, int]()
    for role, choose in _CHOICES.items():
        if role in roles:
            column = choose(rows, reference, left)
            if column is not None:
                found[role] = column
                left.remove(column)
    if {"x", "y"} <= roles and "quantity" in roles - set(found):
        found |= _places(rows, reference, left, turned="rotation" in roles)
    return found


Choice = Callable[[Rows, int, Sequence[int]], int | None]


def _cells(rows: Rows, column: int) -> list[str]:
    return [row[column].strip() for row in rows if column < len(row) and row[column].strip()]


def _share(rows: Rows, column: int, test: Callable[[str], object]) -> float:
    cells = _cells(rows, column)
    return sum(bool(test(cell)) for cell in cells) / len(cells) if cells else 0.0


def _best(rows: Rows, columns: Sequence[int], test: Callable[[str], object], least: float = LEAST) -> int | None:
    """The column with the largest share of cells that pass; the first of equals."""
    shares = {column: _share(rows, column, test) for column in columns}
    best = max(shares, key=lambda column: shares[column], default=None)
    return best if best is not None and shares[best] >= least else None


def _quantity(rows: Rows, reference: int, columns: Sequence[int]) -> int | None:
    """Whole numbers that count the row's references."""
    several = any(len(listed(row[reference])) > 1 for row in rows)
    for column in columns:
        pairs = [(row[column].strip(), len(listed(row[reference]))) for row in rows if column < len(row)]
        if several and pairs and sum(text == str(count) for text, count in pairs) >= 0.8 * len(pairs):
            return column
    return None


def _value(rows: Rows, reference: int, columns: Sequence[int]) -> int | None:
    """What reads as ohms beside an R, farads beside a C, henries beside an L; the shortest of such columns."""
    passive = [(row, split(listed(row[reference])[0])[0]) for row in rows]
    passive = [(row, letter) for row, letter in passive if letter in UNITS]

    def share(column: int) -> float:
        read = [marking(letter, row[column]).value is not None for row, letter in passive if column < len(row)]
        return sum(read) / len(read) if read else 0.0

    good = [column for column in columns if share(column) >= LEAST]
    return min(good, key=lambda column: sum(map(len, _cells(rows, column))), default=None)


def _unfitted(rows: Rows, _reference: int, columns: Sequence[int]) -> int | None:
    return _best(rows, [k for k in columns if len(_cells(rows, k)) < len(rows)], NOT_FITTED.search, 1.0)


def _side(rows: Rows, _reference: int, columns: Sequence[int]) -> int | None:
    return _best(rows, columns, lambda cell: not cell.isdigit() and cell.casefold() in SIDES, 0.95)


def _footprint(rows: Rows, _reference: int, columns: Sequence[int]) -> int | None:
    return _best(rows, columns, _PACKAGE.match, 0.4)


def _description(rows: Rows, _reference: int, columns: Sequence[int]) -> int | None:
    return _best(rows, columns, lambda cell: " " in cell and sum(map(str.isalpha, cell)) > 4, 0.4)


def _number(rows: Rows, _reference: int, columns: Sequence[int]) -> int | None:
    return _best(rows, columns, lambda cell: _CODE.match(cell) and not REFERENCE.match(cell), 0.5)


def _places(rows: Rows, reference: int, columns: Sequence[int], *, turned: bool) -> dict[str, int]:
    """The two columns of numbers that differ most from row to row, and one of round angles."""
    if len(rows) < 3 or any(len(listed(row[reference])) != 1 for row in rows):
        return {}
    numbers = [k for k in columns if len(_cells(rows, k)) == len(rows) and _share(rows, k, NUMBER.match) == 1.0]
    varied = sorted(numbers, key=lambda k: -len(set(_cells(rows, k))))[:2]
    if len(varied) < 2 or min(len(set(_cells(rows, k))) for k in varied) < 3:
        return {}
    x, y = sorted(varied)
    rest = [k for k in numbers if k not in (x, y) and all(_is_angle(cell) for cell in _cells(rows, k))]
    return {"x": x, "y": y, **({"rotation": rest[0]} if rest and turned else {})}


def _is_angle(cell: str) -> bool:
    try:
        degrees = float(cell.rstrip("°").replace(",", "."))
    except ValueError:
        return False
    return abs(degrees) <= 360 and degrees % 5 == 0


_CHOICES: Final[dict[str, Choice]] = {
    "quantity": _quantity, "side": _side, "unfitted": _unfitted, "value": _value, "footprint": _footprint,
    "description": _description, "number": _number,
}  # fmt: skip
