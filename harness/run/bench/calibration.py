"""Whether an instrument's calibration is in date, by what the bench file says."""

from __future__ import annotations

import datetime

from wakeboard.harness.describe.bench import Instrument
from wakeboard.instruments.errors import BenchError


class CalibrationDue(BenchError):
    """The calibration of an instrument is no longer valid."""


def check_calibration(instrument: Instrument, today: datetime.date | None = None) -> None:
    """Raises CalibrationDue where the bench file's date has passed."""
    now = today or datetime.date.today()
    if instrument.due is not None and instrument.due < now:
        raise CalibrationDue(
            f"the calibration of {instrument.name} was due on {instrument.due.isoformat()}", instrument=instrument.name
        )
