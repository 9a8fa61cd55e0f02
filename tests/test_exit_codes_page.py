"""The page of exit codes and `wakeboard --help` say the same."""

from __future__ import annotations

from pathlib import Path

from wakeboard.harness.cli.exits import MEANS

ROOT = Path(__file__).resolve().parents[1]


def test_the_page_of_exit_codes_lists_what_the_help_does() -> None:
    page = (ROOT / "harness" / "cli" / "exit-codes.md").read_text(encoding="utf-8")
    for code, words in MEANS.items():
        row = next(line for line in page.splitlines() if line.startswith(f"| {int(code)} |"))
        assert words.split(":")[0] in row
