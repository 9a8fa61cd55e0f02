"""Results for other programs: CSV and Parquet in long form with their data dictionary, and JUnit XML.

The tables hold one row a reading with the columns of `wakeboard.results.frames.COLUMNS`. Beside a CSV file stands
`NAME.columns.csv`, the data dictionary; a Parquet file carries it in the metadata of its columns. Files are written
whole or not at all (a temporary file beside the target, then a rename).
"""

from __future__ import annotations

import csv
import io
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from wakeboard.results.frames import COLUMNS
from wakeboard.results.store.errors import StoreError
from wakeboard.results.visible import plain_cell

if TYPE_CHECKING:
    import pandas as pd

_CSV_ROWS: Final = 50_000  # at a time, so that the text of a large store is not in memory as a whole


@contextmanager
def whole_file(path: str | os.PathLike[str]) -> Iterator[Path]:
    """A path to write to, which becomes `path` when the block ends well. StoreError where it cannot be written."""
    target = Path(path)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}-", dir=target.resolve().parent)
    except OSError as error:
        raise StoreError(f"{target} cannot be written: {error.strerror or error}", kind="usage") from error
    os.close(handle)
    draft = Path(name)
    try:
        yield draft
        _publish(draft, target)
    except OSError as error:
        raise StoreError(f"{target} cannot be written: {error.strerror or error}", kind="io") from error
    finally:
        draft.unlink(missing_ok=True)


def _publish(draft: Path, target: Path) -> None:
    with draft.open("r+b") as file:
        os.fsync(file.fileno())
    mask = os.umask(0)
    os.umask(mask)
    draft.chmod(0o666 & ~mask)  # mkstemp keeps files to the user alone
    draft.replace(target)


# -- CSV (RFC 4180, UTF-8)


def write_csv(table: pd.DataFrame, path: str | os.PathLike[str]) -> Path:
    """Writes the table and its data dictionary; returns the dictionary's path.

    Numbers in shortest form that reads back bit for bit, times as ISO 8601 UTC, nothing for what is not there.
    """
    with whole_file(path) as draft:
        _csv(table, draft)
    beside = dictionary_path(path)
    with whole_file(beside) as draft:
        draft.write_text(dictionary_csv(list(table.columns)), encoding="utf-8", newline="")
    return beside


def _csv(table: pd.DataFrame, path: Path) -> None:
    import pandas as pd

    shown = table
    if "started" in table:
        shown = table.assign(started=table["started"].dt.strftime("%Y-%m-%dT%H:%M:%S.%fZ"))
    texts = [name for name in shown.columns if not pd.api.types.is_numeric_dtype(shown[name])]
    shown = shown.assign(**{name: shown[name].astype(object).map(plain_cell) for name in texts})
    shown.to_csv(path, index=False, lineterminator="\r\n", chunksize=_CSV_ROWS, encoding="utf-8")


def dictionary_path(path: str | os.PathLike[str]) -> Path:
    """ "readings.csv" -> "readings.columns.csv"."""
    target = Path(path)
    return target.with_name(f"{target.stem}.columns{target.suffix or '.csv'}")


def dictionary_csv(names: list[str]) -> str:
    """The data dictionary of these columns: name, type, unit, meaning."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(["column", "type", "unit", "meaning"])
    writer.writerows([column.name, column.type, column.unit, column.says] for column in COLUMNS if column.name in names)
    return text.getvalue()


# -- Parquet


def write_parquet(table: pd.DataFrame, path: str | os.PathLike[str]) -> None:
    """Writes the table with each column's unit and meaning in that column's metadata."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as parquet
    except ModuleNotFoundError as error:
        says = "Parquet needs the package pyarrow: pip install 'wakeboard[parquet]'; CSV needs nothing more"
        raise StoreError(says, kind="usage") from error

    made = pa.Table.from_pandas(table, preserve_index=False)
    told = {column.name: column for column in COLUMNS}
    fields = [_with_meaning(field, told.get(field.name)) for field in made.schema]
    with whole_file(path) as draft:
        parquet.write_table(made.cast(pa.schema(fields, metadata=made.schema.metadata)), draft)


def _with_meaning(field: Any, column: Any) -> object:
    if column is None:
        return field
    return field.with_metadata({"unit": column.unit, "meaning": column.says})
