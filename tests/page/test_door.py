"""Who may come in: the door by itself, and a served page asked by a plain HTTP client as an attacker would.

Facts from outside: Host and Origin as RFC 9110 (7.2) and RFC 6454 say; SameSite and HttpOnly of RFC 6265bis; loopback
names and the unspecified address of RFC 6890 (all from memory)."""

from __future__ import annotations

import http.client
import importlib
import os
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")

from wakeboard.harness.cli import execute
from wakeboard.harness.page.address import BadPlace, Place, parse_place
from wakeboard.harness.page.door import CSRF_HEADER, TRIES, Door
from wakeboard.results.store.store import Store

sys.path.insert(0, str(Path(__file__).parent))
bench_module = importlib.import_module("bench")
Command, write_toy = bench_module.Command, bench_module.write_toy


@pytest.mark.parametrize(
    "text", ["0.0.0.0:80", "[::]:80", "a/b:80", "10.0.0.1", "10.0.0.1:99999", "224.0.0.1:80", "x y:1"]
)
def test_what_is_no_address_for_the_page(text: str) -> None:
    with pytest.raises(BadPlace):
        parse_place(text)


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        (["run", "--page", "steps.toml", "--unit", "T-1"], "--page took steps.toml for its address"),
        (["smoke", "--page", "steps.toml"], "--page took steps.toml for its address"),
        (["virtual", "--by-hand", "board.toml"], "--by-hand took board.toml for its address"),
        (["virtual", "board.toml", "--by-hand", "0.0.0.0:80"], "--by-hand: 0.0.0.0 would open the page"),
        (["virtual", "board.toml", "--by-hand", "192.0.2.7:8088"], "192.0.2.7:8088: that is no address of this"),
        (["page", "0.0.0.0:80"], "HOST:PORT: 0.0.0.0 would open the page"),
        (["page", "192.0.2.7:8088"], "192.0.2.7:8088: that is no address of this"),
    ],
)
def test_an_address_that_is_none_is_told_by_the_name_that_was_typed(
    typed: list[str], says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """192.0.2.7: RFC 5737, an address for documentation."""
    monkeypatch.chdir(tmp_path)
    write_toy(tmp_path)
    (tmp_path / "steps.toml").write_text('title = "x"\nboard = "board.toml"\n[[step]]\ndo = "wait"\nfor = "1 s"\n')
    assert execute(typed) == 2
    assert says in " ".join(capsys.readouterr().err.split())


def test_nothing_said_is_loopback() -> None:
    assert parse_place("") == Place("127.0.0.1", 0)
    assert parse_place(":8088").loopback
    assert parse_place("[::1]:8088").authority(8088) == "[::1]:8088"
    assert not parse_place("192.0.2.7:8088").loopback


def test_a_token_is_good_once_and_wrong_codes_shut_the_door() -> None:
    door = Door(Place("192.0.2.7", 8088), 8088)
    token = door.token
    assert re.fullmatch(r"\d{6}", door.code)
    wrong = "000000" if door.code != "000000" else "000001"
    assert door.enter(token, wrong) is None
    session = door.enter(token, f"{door.code[:3]} {door.code[3:]}")
    assert session is not None
    assert door.enter(token, door.code) is None, "used up"
    for _ in range(TRIES):
        assert door.enter(door.token, wrong) is None
    assert door.shut
    assert door.enter(door.token, door.code) is None, "shut for the right code, too"
    assert door.session({"cookie": f"{door.cookie}={session}"}) == session, "who is in stays in"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    folder = tmp_path_factory.mktemp("a-folder-with-a-name")
    Store.open(folder / "wakeboard.db").close()
    with Command(folder, "page", "--db", str(folder / "wakeboard.db"), cold=True) as command:
        yield command


class Client:
    def __init__(self, address: str) -> None:
        self.host, _, rest = address.removeprefix("http://").partition("/")
        self.path = f"/{rest}"
        self.cookie = ""

    def ask(self, method: str, path: str, body: str | bytes = "", **headers: str) -> tuple[int, dict[str, str], str]:
        status, told, data = self.raw(method, path, body, **headers)
        return status, told, data.decode()

    def raw(self, method: str, path: str, body: str | bytes = "", **headers: str) -> tuple[int, dict[str, str], bytes]:
        link = http.client.HTTPConnection(self.host, timeout=30)
        sent = {"Host": self.host, **({"Cookie": self.cookie} if self.cookie else {}), **headers}
        link.request(method, path, body=body or None, headers={k.replace("_", "-"): v for k, v in sent.items() if v})
        reply = link.getresponse()
        data = reply.read()
        told = {name.lower(): value for name, value in reply.getheaders()}
        link.close()
        return reply.status, told, data


def test_a_served_page_against_those_who_may_not(served: Any) -> None:
    address = served.address
    client = Client(address)
    for path in ("/", "/units", "/events", "/device", "/map?net=VIN", "/run/1", "/in/wrong"):
        assert client.ask("GET", path)[0] == 403, path
    assert client.ask("POST", "/stop", "{}")[0] == 403
    assert client.ask("GET", client.path, Host="attacker.example")[0] == 403, "a name pointed at this computer"
    status, told, _ = client.ask("GET", client.path)
    assert status == 200
    cookie = told["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert "Max-Age=43200" in cookie, "a browser that is opened again is still in"
    assert Client(address).ask("GET", client.path)[0] == 403, "the address was used"
    client.cookie = cookie.partition(";")[0]
    status, told, page = client.ask("GET", "/units")
    assert status == 200
    for name, says in {"content-security-policy": "default-src 'none'", "x-content-type-options": "nosniff",
                       "referrer-policy": "no-referrer", "cache-control": "no-store"}.items():  # fmt: skip
        assert says in told[name]
    for path in ("/units", "/device", "/run/abc", "/board/Toy", "/units/Toy/T-1", "/map?net=x"):
        assert "a-folder-with-a-name" not in client.ask("GET", path)[2], path
    csrf = re.search(r'name="page" content="([^"]+)"', page)
    assert csrf
    ours, header = f"http://{client.host}", {CSRF_HEADER: csrf[1]}
    assert client.ask("POST", "/stop", "{}", Origin="http://attacker.example", **header)[0] == 403
    assert client.ask("POST", "/stop", "{}", **header)[0] == 403, "no origin at all"
    assert client.ask("POST", "/stop", "{}", Origin=ours)[0] == 403, "no token of the session"
    assert client.ask("POST", "/stop", "{}", Origin=ours, **header, **{"Sec-Fetch-Site": "cross-site"})[0] == 403
    assert client.ask("POST", "/stop", "{}", Origin=ours, **header)[0] == 200
    assert client.ask("POST", "/key", "x" * 20000, Origin=ours, **header)[0] == 413
    assert client.ask("POST", "/key", '{"prompt": "1"}', Origin=ours, **header)[0] == 400


def test_who_was_in_and_lost_it_finds_a_fresh_address_on_the_terminal(tmp_path: Path) -> None:
    with bench_module.hand_bench(tmp_path) as bench:
        bench.steps(bench_module.POWERED)
        with Command(tmp_path, "run", "steps.toml", "--unit", "T-1", "--bench", "hand.toml", "--page") as command:
            first = Client(command.address)
            assert first.ask("GET", first.path)[0] == 200
            command.until(r"(?s)page: \S+.*page: \S+")
            assert Client(command.address).ask("GET", first.path)[0] == 403, "the first address was used"
            told = re.findall(r"page: (\S+)", command.text)
            assert told[-1] != told[0]
            again = Client(told[-1])
            assert again.ask("GET", again.path)[0] == 200, "who could not come in could not stop"


def test_knocking_in_vain_tells_the_address_again_and_does_not_flood_the_terminal() -> None:
    from wakeboard.harness.page import entrance

    said: list[Any] = []
    pages = entrance.Entrance(Door(Place("127.0.0.1", 0), 8088), said.append)
    for _ in range(20):
        pages._tell_again()
    assert [each["address"] for each in said] == [pages.door.address]
    pages._told_at -= entrance.AGAIN + 1
    pages._tell_again()
    assert len(said) == 2


def test_no_path_of_the_computer_and_nothing_from_elsewhere(served: Any) -> None:
    client = Client(served.address)
    texts = [client.ask("GET", path)[2] for path in ("/", "/nothing", "/static/../app.py", "/static/app.py")]
    client.ask("GET", client.path)
    folder = Path(__file__).parents[2] / "harness" / "page"
    texts += [each.read_text(encoding="utf-8") for each in folder.glob("*.j2")]
    texts += [(folder / name).read_text(encoding="utf-8") for name in ("page.js", "photo.js", "page.css")]
    for text in texts:
        assert "a-folder-with-a-name" not in text
        assert os.path.expanduser("~") not in text
        assert not re.search(r"(?:https?:)?//(?!www\.w3\.org/2000/svg)[a-z0-9.-]+\.[a-z]", re.sub(r"// .*", "", text))


def test_the_code_is_asked_for_on_a_network() -> None:
    """Another address than 127.0.0.1 of this computer stands for the bench's network: not loopback by its name."""
    from wakeboard.harness.page.app import make_app
    from wakeboard.harness.page.hub import Hub
    from wakeboard.harness.page.stored import Stored

    door = Door(Place("192.0.2.7", 8088), 8088)
    told: list[Any] = []
    app = make_app(door, Hub(live=True), told.append, Stored("nothing.db", ""))
    assert "<form" in _ask(app, "GET", f"/in/{door.token}")[1]
    wrong = "000000" if door.code != "000000" else "000001"
    form = {"content-type": "application/x-www-form-urlencoded", "origin": door.origin}
    assert _ask(app, "POST", f"/in/{door.token}", f"code={wrong}", form)[0] == 403
    assert _ask(app, "POST", f"/in/{door.token}", f"code={door.code}", {**form, "origin": "http://x.example"})[0] == 403
    assert _ask(app, "POST", f"/in/{door.token}", f"code={door.code}", form)[0] == 200
    assert told[-1]["do"] == "address", "the next device's address is told to the run"


def _ask(app: Any, method: str, path: str, body: str = "", headers: dict[str, str] | None = None) -> tuple[int, str]:
    """One request straight into the application (ASGI)."""
    import asyncio

    sent: list[dict[str, Any]] = []
    given = {"host": "192.0.2.7:8088", "content-length": str(len(body)), **(headers or {})}
    scope = {"type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "path": path,
             "raw_path": path.encode(), "query_string": b"", "root_path": "", "scheme": "http",
             "headers": [(k.encode(), v.encode()) for k, v in given.items()]}  # fmt: skip

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": body.encode(), "more_body": False}

    async def send(message: Any) -> None:
        sent.append(message)

    asyncio.run(app(scope, receive, send))
    text = b"".join(each.get("body", b"") for each in sent[1:])
    return int(sent[0]["status"]), text.decode()


def test_what_the_page_holds_of_a_prompt_and_of_a_test_goes_with_them() -> None:
    from wakeboard.harness.page.link import PageLink
    from wakeboard.harness.page.picture import Picture
    from wakeboard.harness.run.guard.terms import OffReport
    from wakeboard.results.records import Reading, Step

    link: Any = object.__new__(PageLink)
    link.picture, link._number, link._odd, link._guard, link._looks = Picture(), 0, [], None, 0
    link.stop_pressed = False
    link.asks("All outputs off", "Probe TP1", "net VIN", "Enter: it is so")
    link.shows("no contact")
    link.answered()
    assert link.picture.get("moving") == "", "what was said of a probe ends with its question"
    link.says("the meter tests with 10 µA: up to 10 V, an open net included")
    assert link.picture.get("tests") == "The meter tests with 10 µA: up to 10 V, an open net included"
    link.reading(Reading("VIN", "ohms", 52930.0, "Ω", 1.0, None, None, "pass", "", "", None, 1.0))
    assert link.picture.get("reading")["live"] is False
    link.step_ends(Step(number=1, name="Shorts", kind="resistance", outcome="pass", started=0.0, ended=1.0))
    assert link.picture.get("tests") == ""
    link.picture.put(power="LIVE: USB on")
    link.reading(Reading("VIN", "dc volts", 5.0, "V", 0.1, None, None, "pass", "", "", None, 1.0))
    assert link.picture.get("reading")["live"] is True
    link.shows("hold still")
    link.ended("stopped", "", OffReport({"USB": "off"}))
    assert link.picture.get("moving") == ""
