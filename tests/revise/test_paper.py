"""The page of a revision: each change with its evidence and what the circuit says; nothing of a file is run as HTML."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path

import pytest
from forty import DRAWINGS

from wakeboard.harness.cli import execute


class _Text(HTMLParser):
    """The words of a page, and its elements."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.words += data.split()


def page(tmp_path: Path, extra: str = "") -> tuple[str, _Text, int]:
    alder = DRAWINGS[0]
    alder.board(tmp_path)
    plan = alder.plan(tmp_path, 0)
    evidence = 'findings = [3]\nevidence = ["AL-002, run 1234abcd, step 8: RF_RST 2.585 V"]\nmends = []\n'
    more = '[[change]]\ntitle = "C2 <script>alert(1)</script>"\ndo = ["C2:value=22u"]\n'
    plan.write_text(plan.read_text(encoding="utf-8") + evidence + more + extra, encoding="utf-8")
    file = tmp_path / "revision.html"
    code = execute(["revise", "judge", str(plan), "--no-rehearsal", "-o", str(file)])
    html = file.read_text(encoding="utf-8")
    text = _Text()
    text.feed(html)
    return html, text, code


def test_every_line_has_its_evidence_or_says_that_it_has_none(tmp_path: Path) -> None:
    html, text, code = page(tmp_path)
    words = " ".join(text.words)
    assert code == 0
    assert "R1:value=1k" in words
    assert "finding 3 AL-002, run 1234abcd, step 8: RF_RST 2.585 V" in words
    assert "no unit: from the drawing alone" in words
    assert "mends nothing" in words
    assert "gone: undefined-level (serious): RF_RST should be low" in words
    assert "nothing breaks" in words
    assert "script" not in text.tags
    assert "http" not in html.replace("http-equiv", "").replace("http://www.w3.org/2000/svg", ""), "self-contained"


def test_what_breaks_stands_in_the_first_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, text, code = page(tmp_path, '[[change]]\ntitle = "too strong"\ndo = ["R1:value=100"]\n')
    assert code == 1
    assert "something breaks" in " ".join(text.words)
