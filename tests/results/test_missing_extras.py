"""What a plain install lacks is named by a command that needs it, with what to type."""

import sys

import pandas as pd
import pytest

from wakeboard.results.export import write_parquet
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.store import Store


def test_parquet_names_its_extra(monkeypatch, tmp_path):
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    with pytest.raises(StoreError, match=r"Parquet needs the package pyarrow: pip install 'wakeboard\[parquet\]'"):
        write_parquet(pd.DataFrame({"value": [1.0]}), tmp_path / "table.parquet")
    assert list(tmp_path.iterdir()) == []


def test_a_server_names_its_extra(monkeypatch):
    monkeypatch.setitem(sys.modules, "psycopg", None)
    with pytest.raises(StoreError, match=r"needs the package psycopg: pip install 'wakeboard\[server\]'"):
        Store.open("postgresql://nobody@localhost/nothing")
