"""One page a unit, in a real Chromium: what is odd, what explains it, its runs, and photos that go in by the page."""

from __future__ import annotations

import importlib
import io
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette")
Image = pytest.importorskip("PIL.Image")

sys.path.insert(0, str(Path(__file__).parent))
bench_module = importlib.import_module("bench")
browser_module = importlib.import_module("chromium")
door_module = importlib.import_module("test_door")
Command, Client = bench_module.Command, door_module.Client

pytestmark = pytest.mark.skipif(browser_module.PROGRAM is None, reason="Chromium is not installed")
STEPS = """
title = "Rails"
board = "board.toml"
[[step]]
do = "power on"
supply = "USB"
limit = "100 mA"
why = "a test"
[[step]]
do = "rails"
[[step]]
do = "power off"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a run of one unit that failed."""
    folder = tmp_path_factory.mktemp("kept")
    bench_module.write_toy(folder)
    (folder / "steps.toml").write_text(STEPS, encoding="utf-8")
    with Command(folder, "run", "steps.toml", "--unit", "T-1", "--plant", "U2:variant=2.8 V") as run:
        assert run.wait() == 1, run.text
    return folder


@pytest.fixture(scope="module")
def served(folder: Path) -> Iterator[Any]:
    with Command(folder, "page", "--db", str(folder / "wakeboard.db")) as command:
        yield command


@pytest.fixture(scope="module")
def browser(served: Any) -> Iterator[Any]:
    """One that has come in by the door."""
    with browser_module.Chromium() as opened:
        tab = opened.tab(served.an_address())
        tab.until(lambda: "Units" in words(tab), "the door opens")
        yield opened


def words(tab: Any) -> str:
    """What stands on the page; "" while it loads."""
    return str(tab.run("document.body ? document.body.innerText : ''"))


def picture(folder: Path) -> Path:
    exif = Image.Exif()
    exif[0x0110] = "Secret-Camera-4711"
    out = io.BytesIO()
    Image.new("RGB", (1200, 900), "green").save(out, "JPEG", exif=exif)
    path = folder / "from-the-camera.jpg"
    path.write_bytes(out.getvalue())
    return path


@pytest.mark.parametrize("width", [390, 820])
def test_a_unit_on_one_page_and_a_photo_of_it(served: Any, browser: Any, folder: Path, width: int) -> None:
    tab = browser.tab(f"{served.address.split('/in/')[0]}/units/Toy/T-1", width=width, height=1180)
    seen = words(tab)
    assert "Outside its limits" in seen
    assert "+3V3 dc volts" in seen
    kept = int(tab.run("document.querySelectorAll('.photos img').length"))
    tab.click("#photo-form button")
    assert not tab.run("document.querySelector('#photo').validity.valid"), "a photo is asked for"
    tab.choose("#photo", picture(folder))
    tab.run("document.querySelector('#text').value = 'U1 from above'")
    tab.click("#photo-form button")
    tab.until(lambda: tab.run("document.querySelectorAll('.photos img').length") == kept + 1, "the photo is shown")
    tab.run("document.querySelector('.photos').scrollIntoView()")
    drawn = "Array.from(document.querySelectorAll('.photos img')).every((e) => e.complete && e.naturalWidth === 800)"
    tab.until(lambda: tab.run(drawn), "its picture is drawn")
    assert "U1 from above" in words(tab)
    assert tab.run("document.documentElement.scrollWidth") <= width
    assert tab.complaints() == []
    tab.click("a[href^='/explain/']")
    tab.until(lambda: "U2" in words(tab), "what explains it")
    assert tab.run("Array.from(document.images).filter((e) => e.naturalWidth > 0).length") >= kept + 1


def test_a_photo_comes_in_by_the_door_only(served: Any, folder: Path) -> None:
    client = Client(served.an_address())
    data = picture(folder).read_bytes()
    where = "/units/Toy/T-1/photo?text=x"
    assert client.ask("POST", where, data)[0] == 403, "who is not in"
    client.cookie = client.ask("GET", client.path)[1]["set-cookie"].partition(";")[0]
    page = client.ask("GET", "/units/Toy/T-1")[2]
    csrf = re.search(r'name="page" content="([^"]+)"', page)
    assert csrf
    ours = {"Origin": f"http://{client.host}", "x-wakeboard-page": csrf[1]}
    assert client.ask("POST", where, data, Origin=ours["Origin"])[0] == 403, "no token of the session"
    assert client.ask("POST", where, data, **{**ours, "Origin": "http://attacker.example"})[0] == 403
    status, told, says = client.ask("POST", where, b"<script>alert(1)</script>", **ours)
    assert (status, told["content-type"]) == (422, "application/json")
    assert "is none, or is damaged" in says
    assert client.ask("POST", where, b"", **{**ours, "Content-Length": str(30 * 2**20)})[0] == 413
    assert client.ask("POST", "/units/Toy/T-9/photo", data, **ours)[0] == 404
    before = client.ask("GET", "/units/Toy/T-1")[2].count("/small")
    assert client.ask("POST", where, data, **ours)[0] == 200
    page = client.ask("GET", "/units/Toy/T-1")[2]
    assert page.count("/small") == before + 1
    photo = re.findall(r'href="(/photo/\w+)"', page)[-1]
    status, told, kept = client.raw("GET", photo)
    assert (status, told["content-type"], told["x-content-type-options"]) == (200, "image/jpeg", "nosniff")
    assert b"Secret-Camera" in data
    assert b"Secret-Camera" not in kept
    assert Client(served.address).ask("GET", photo)[0] == 403, "pictures are behind the door, too"
    assert client.ask("GET", "/photo/00")[0] == 404
