"""Write and read speed of a mounted volume: only a file of our own is touched, what was read is what was written.

Bytes per second of a serial line without parity: baud/10 (reference values, 10): 115200 baud carry 11520 B/s at most.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.runner import Runner
from wakeboard.harness.run.session import run_start, take_unit
from wakeboard.harness.run.steps import _volume
from wakeboard.instruments.errors import BenchError


def test_a_volume_is_left_as_it_was(tmp_path: Path) -> None:
    (tmp_path / "theirs.txt").write_text("keep me")
    pulses: list[int] = []
    wrote, read, cache = _volume.measure(str(tmp_path), 3_000_000, lambda: pulses.append(1))
    assert wrote > 0
    assert read > 0
    assert "cache" in cache
    assert [path.name for path in tmp_path.iterdir()] == ["theirs.txt"]
    assert len(pulses) == 6  # three megabytes out, three in


def test_what_was_read_is_compared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    block = _volume._block
    calls: list[int] = []

    def altered(seed: bytes, number: int) -> bytes:
        calls.append(number)
        return block(seed, number + (len(calls) > 2))

    monkeypatch.setattr(_volume, "_block", altered)
    with pytest.raises(BenchError, match="not what was written"):
        _volume.measure(str(tmp_path), 2_000_000, lambda: None)
    assert list(tmp_path.iterdir()) == []


def test_a_volume_that_is_gone_is_an_error_of_the_bench(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match="failed"):
        _volume.measure(str(tmp_path / "unmounted"), 1_000_000, lambda: None)


def test_read_and_write_rates_against_limits_and_a_reference(toy: Any, tmp_path: Path) -> None:
    medium = tmp_path / "medium"
    medium.mkdir()
    sequence = load_sequence(
        toy.steps(
            '[[step]]\ndo = "resistance"\n[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\n'
            '[[step]]\ndo = "transfer"\nvolume = "card"\nsize = "2 MB"\nread = "> 1 B/s"\nwrite = "> 900 GB/s"\n'
            'reference = "900 GB/s"\n'
        )
    )
    with open_virtual(sequence.board, unit="T-1") as bench:
        bench.volumes = {"card": str(medium)}
        result = Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
    transfer = next(step for step in result.record.steps if step.kind == "transfer")
    outcomes = {reading.of: reading.outcome for reading in transfer.readings if reading.quantity == "rate"}
    assert outcomes == {"card write": "fail", "card read": "pass"}
    shares = [reading for reading in transfer.readings if reading.quantity == "share of reference"]
    assert [reading.outcome for reading in shares] == ["fail", "fail"]
    assert "cache" in transfer.says


def test_a_stream_goes_no_faster_than_its_line(toy: Any) -> None:
    result = take_unit(load_sequence(toy.sequence), unit="T-1")
    transfer = next(step for step in result.record.steps if step.kind == "transfer")
    rate = transfer.readings[0]
    assert rate.value is not None
    assert 5_000 < rate.value < 10_000  # the board declares 10 kB/s, the line carries 11 520
    assert rate.u is not None
    assert rate.u > 0
