"""Photos of units: taken in as pictures alone.

What a camera writes is EXIF 2.3 (JEITA CP-3451C): GPSLatitude is tag 2 of the GPS IFD, Orientation tag 0x0112, 6 means
that the camera was turned (from memory). First bytes of JPEG, PNG and WebP: ISO/IEC 10918-1, ISO/IEC 15948, RFC 9649.
"""

from __future__ import annotations

import io
import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wakeboard.harness.cli import execute
from wakeboard.results.ledger.ledger import Ledger
from wakeboard.results.ledger.photos import LARGE, SMALL, PhotoRefused, rendered
from wakeboard.results.report import report_board, report_run
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.store import Store

Image = pytest.importorskip("PIL.Image")
ORIENTATION, GPS, LATITUDE, MODEL = 0x0112, 0x8825, 2, 0x0110


def photo(
    form: str = "JPEG", size: tuple[int, int] = (300, 200), *, turned: bool = False, located: bool = True
) -> bytes:
    """A picture red on its left half, as a camera writes it."""
    picture = Image.new("RGB", size, "white")
    picture.paste("red", (0, 0, size[0] // 2, size[1]))
    exif = Image.Exif()
    exif[MODEL] = "Secret-Camera-4711"
    if turned:
        exif[ORIENTATION] = 6
    exif.get_ifd(GPS)[LATITUDE] = (48.0, 8.0, 12.0)
    out = io.BytesIO()
    picture.save(out, form, exif=exif)
    return out.getvalue()


@pytest.mark.parametrize(("form", "begins"), [("JPEG", b"\xff\xd8\xff"), ("PNG", b"\x89PNG"), ("WEBP", b"RIFF")])
def test_nothing_but_the_picture_is_kept(form: str, begins: bytes) -> None:
    came = photo(form)
    assert came.startswith(begins)
    assert b"Secret-Camera-4711" in came
    for kept in rendered(came)[:2]:
        assert kept.startswith(b"\xff\xd8\xff")
        assert b"Secret-Camera" not in kept
        assert not Image.open(io.BytesIO(kept)).getexif()


def test_a_turned_camera_gives_an_upright_picture() -> None:
    kept, _, size = rendered(photo(turned=True))
    assert size == (200, 300)
    upright = Image.open(io.BytesIO(kept))
    assert upright.getpixel((100, 20))[1] < 100, "red is on top now"
    assert upright.getpixel((100, 280))[1] > 200


def test_a_large_picture_is_made_smaller() -> None:
    large, small, size = rendered(photo(size=(5000, 100)))
    assert max(size) == LARGE
    assert max(Image.open(io.BytesIO(small)).size) == SMALL
    assert Image.open(io.BytesIO(large)).size == size


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "is empty"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>", "is none"),
        (b"GIF89a" + bytes(40), "is none"),
        (photo()[:400], "damaged"),
        (bytes(21 * 2**20), "21 MB"),
    ],
)
def test_what_is_no_photo_is_refused(data: bytes, says: str) -> None:
    with pytest.raises(PhotoRefused, match=says):
        rendered(data)


def test_a_picture_of_too_many_pixels_is_not_decoded() -> None:
    out = io.BytesIO()
    Image.new("1", (20_000, 5_000)).save(out, "PNG")
    assert len(out.getvalue()) < 100_000
    with pytest.raises(PhotoRefused, match="100 million pixels"):
        rendered(out.getvalue())


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 600), st.binary(min_size=1, max_size=6), st.sampled_from(["JPEG", "PNG", "WEBP"]))
def test_damaged_bytes_are_a_picture_or_refused(at: int, put: bytes, form: str) -> None:
    whole = photo(form)
    try:
        kept = rendered(whole[:at] + put + whole[at + len(put) :])[0]
    except PhotoRefused:
        return
    Image.open(io.BytesIO(kept)).load()


def test_a_photo_lasts_and_is_in_the_reports(store: Store, make_start: Any, make_step: Any) -> None:
    run = store.begin_run(make_start(unit="004"))
    store.commit_step(run, make_step())
    store.end_run(run, "pass")
    ledger = Ledger(store)
    kept = ledger.add_photo("004", photo(), "bridge <b>at</b> U2", by="Ada")
    assert [(each.uuid, each.text, each.by) for each in ledger.photos("004")] == [
        (kept.uuid, "bridge <b>at</b> U2", "Ada")
    ]
    assert any(event.kind == "photo" for event in ledger.history("004"))
    assert ledger.picture("none") is None
    board = store.runs()[0].board
    for page in (report_run(store), report_board(store, board)):
        assert "data:image/jpeg;base64,/9j/" in page
        assert "bridge &lt;b&gt;at&lt;/b&gt; U2" in page
    with pytest.raises(StoreError, match="005"):
        ledger.add_photo("005", photo())


def test_the_command_keeps_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    db, good, bad = tmp_path / "wakeboard.db", tmp_path / "bridge.jpg", tmp_path / "notes.jpg"
    good.write_bytes(photo())
    bad.write_text("no picture", encoding="utf-8")

    def typed(*words: str) -> tuple[int, str, str]:
        code = execute(["unit", "SK-1", *words, "--db", str(db)])
        return code, *capsys.readouterr()

    assert typed("--new", "--board", "Skep")[0] == 0
    assert typed("--photo", str(good), "--note", "solder bridge at U2")[0] == 0
    told = json.loads(typed("--json")[1])
    assert [each["text"] for each in told["photos"]] == ["solder bridge at U2"]
    assert told["notes"] == []
    code, _, says = typed("--photo", str(bad))
    assert code == 2
    assert "is none, or is damaged" in says
    code, _, says = typed("--photo", str(tmp_path / "missing.jpg"))
    assert code == 2
    assert "cannot be read" in says
    connection = sqlite3.connect(db)
    assert b"Secret-Camera" not in connection.execute("SELECT data FROM photo").fetchone()[0]
    connection.close()
