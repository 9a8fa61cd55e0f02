"""A small sample of the campaign in fuzz.py."""

from __future__ import annotations

import io
import random
import zipfile

import pytest
from fuzz import campaign, spoilt

from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.drawings.readers import read
from wakeboard.harness.drawings.source import from_bytes


def test_spoilt_files_raise_only_our_own_errors() -> None:
    ends = campaign(600, seed=20)
    assert ends["read"] + ends["refused"] == 600
    assert ends["read"] > 30
    assert ends["refused"] > 100


def test_spoilt_workbooks_raise_only_our_own_errors() -> None:
    """The file's bytes, or those of one file inside it; 4000 more (seed 2) raised nothing else."""
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    for row in (["Reference", "Value", "X", "Y", "Side"], ["R1", "4k7", 1.5, 2.0, "top"], ["C1, C3-C5", "100n", 1, 2]):
        book.active.append(row)
    whole = io.BytesIO()
    book.save(whole)
    draw, ends, silent = random.Random(7), {"read": 0, "refused": 0}, 0
    for number in range(80):
        raw = spoilt(whole.getvalue(), draw) if number % 3 == 0 else _spoilt_inside(whole.getvalue(), draw)
        try:
            read(from_bytes("spoilt.xlsx", raw))
            ends["read"] += 1
        except FileProblems as error:
            ends["refused"] += 1
            silent += not str(error).strip()
    assert silent == 0
    assert ends["refused"] > 20
    assert ends["read"] > 5


def _spoilt_inside(raw: bytes, draw: random.Random) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(raw)) as book, zipfile.ZipFile(out, "w") as made:
        which = draw.choice(book.namelist())
        for name in book.namelist():
            made.writestr(name, spoilt(book.read(name), draw) if name == which else book.read(name))
    return out.getvalue()
