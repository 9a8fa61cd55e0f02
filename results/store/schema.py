"""The newest schema as SQLAlchemy tables, for queries. The DDL that makes it is in `migrations.py`.

Identity: every row that means something on its own has a UUID (or a natural key: document hash, run + step number); the
integer keys are a store's own and are never shown or sent to another store. A reading points to its `measurand` (what
was measured in which bench state) and to its `terms` (what it was held against, and with which instrument and range
it was taken); both repeat from run to run, so each is kept once and a reading is a few tens of bytes.
"""

from __future__ import annotations

from typing import Any, Final

import sqlalchemy as sa

metadata: Final = sa.MetaData()

_INT: Final[sa.types.TypeEngine[int]] = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_REAL: Final[sa.types.TypeEngine[float]] = sa.Double().with_variant(sa.REAL(), "sqlite")
_TEXT: Final = sa.Text()


def _id() -> sa.Column[int]:
    return sa.Column("id", _INT, primary_key=True)


def _int(name: str, ref: str | None = None, *, null: bool = False, key: bool = False) -> sa.Column[Any]:
    links = [sa.ForeignKey(ref)] if ref else []
    return sa.Column(name, _INT, *links, nullable=null, primary_key=key)


def _real(name: str, *, null: bool = False) -> sa.Column[Any]:
    return sa.Column(name, _REAL, nullable=null)


def _text(name: str, ref: str | None = None, *, null: bool = False, key: bool = False) -> sa.Column[Any]:
    links = [sa.ForeignKey(ref)] if ref else []
    return sa.Column(name, _TEXT, *links, nullable=null, primary_key=key)


migration: Final = sa.Table(
    "migration",
    metadata,
    sa.Column("version", _INT, primary_key=True, autoincrement=False),
    _text("name"),
    _real("applied"),
    _text("software"),
)
document: Final = sa.Table("document", metadata, _text("sha256", key=True), _text("kind"), _text("text"))
unit: Final = sa.Table("unit", metadata, _id(), _text("uuid"), _text("board"), _text("serial"), _real("at"))
instrument: Final = sa.Table(
    "instrument",
    metadata,
    _id(),
    _text("digest"),
    _text("name"),
    _text("kind"),
    _text("maker"),
    _text("model"),
    _text("serial"),
    _text("firmware"),
    _text("address"),
    _text("dialect"),
    _text("calibrated", null=True),
    _text("calibration_due", null=True),
)
run: Final = sa.Table(
    "run",
    metadata,
    _id(),
    _text("uuid"),
    _int("unit_id", "unit.id"),
    _text("revision"),
    _text("board_sha256", "document.sha256"),
    _text("sequence"),
    _text("sequence_sha256", "document.sha256"),
    _text("bench_sha256", "document.sha256"),
    _text("operator"),
    _text("software"),
    _text("host"),
    _text("process"),
    _text("engine"),
    _int("virtual"),
    _text("plants"),
    _real("started"),
    _text("rework"),
)
run_instrument: Final = sa.Table(
    "run_instrument",
    metadata,
    _int("run_id", "run.id", key=True),
    _int("position", key=True),
    _int("instrument_id", "instrument.id"),
)
run_end: Final = sa.Table(
    "run_end",
    metadata,
    _id(),
    _text("uuid"),
    _int("run_id", "run.id"),
    _real("at"),
    _text("outcome"),
    _int("outputs_off", null=True),
    _real("energised_s", null=True),
    _int("abandoned"),
    _text("says"),
    _text("trip_rule", null=True),
    _int("trip_step", null=True),
    _text("trip_supply", null=True),
    _real("trip_volts", null=True),
    _real("trip_amps", null=True),
)
step: Final = sa.Table(
    "step",
    metadata,
    _id(),
    _int("run_id", "run.id"),
    _int("number"),
    _text("name"),
    _text("kind"),
    _text("outcome"),
    _real("started"),
    _real("ended"),
    _text("says"),
    _text("detail"),
    _text("digest"),
)
step_blob: Final = sa.Table(
    "step_blob",
    metadata,
    _int("step_id", "step.id", key=True),
    _text("kind", key=True),
    sa.Column("data", sa.LargeBinary(), nullable=False),
)
measurand: Final = sa.Table(
    "measurand", metadata, _id(), _text("digest"), _text("of"), _text("quantity"), _text("unit"), _text("state")
)
terms: Final = sa.Table(
    "terms",
    metadata,
    _id(),
    _text("digest"),
    _real("low", null=True),
    _real("high", null=True),
    _text("limits_from"),
    _text("instrument"),
    _real("range", null=True),
)
reading: Final = sa.Table(
    "reading",
    metadata,
    _int("step_id", "step.id", key=True),
    _int("position", key=True),
    _int("measurand_id", "measurand.id"),
    _int("terms_id", "terms.id"),
    _real("value", null=True),
    _real("u", null=True),
    _text("outcome"),
    _real("time"),
    _text("says", null=True),
)
rework: Final = sa.Table(
    "rework",
    metadata,
    _id(),
    _text("uuid"),
    _int("unit_id", "unit.id"),
    _real("at"),
    _text("by"),
    _text("text"),
    _text("faults"),
)
rework_undo: Final = sa.Table(
    "rework_undo",
    metadata,
    _id(),
    _text("uuid"),
    _int("rework_id", "rework.id"),
    _real("at"),
    _text("by"),
    _text("text"),
)
note: Final = sa.Table(
    "note", metadata, _id(), _text("uuid"), _int("unit_id", "unit.id"), _real("at"), _text("by"), _text("text")
)
photo: Final = sa.Table(
    "photo",
    metadata,
    _id(),
    _text("uuid"),
    _int("unit_id", "unit.id"),
    _real("at"),
    _text("by"),
    _text("text"),
    _int("width"),
    _int("height"),
    sa.Column("data", sa.LargeBinary(), nullable=False),
    sa.Column("small", sa.LargeBinary(), nullable=False),
)
finding: Final = sa.Table(
    "finding",
    metadata,
    _id(),
    _text("uuid"),
    _text("board"),
    _real("at"),
    _text("by"),
    _text("title"),
    _text("text"),
)
finding_event: Final = sa.Table(
    "finding_event",
    metadata,
    _id(),
    _text("uuid"),
    _int("finding_id", "finding.id"),
    _real("at"),
    _text("by"),
    _text("state"),
    _text("text"),
    _text("faults"),
    _text("cause"),
    _text("revision"),
)
finding_evidence: Final = sa.Table(
    "finding_evidence",
    metadata,
    _id(),
    _text("uuid"),
    _int("finding_id", "finding.id"),
    _real("at"),
    _int("run_id", "run.id"),
    _int("step", null=True),
    _int("position", null=True),
    _text("text"),
)
