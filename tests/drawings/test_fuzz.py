"""A small sample of the campaign in fuzz.py."""

from __future__ import annotations

from fuzz import campaign


def test_spoilt_files_raise_only_our_own_errors() -> None:
    ends = campaign(600, seed=20)
    assert ends["read"] + ends["refused"] == 600
    assert ends["read"] > 30
    assert ends["refused"] > 100
