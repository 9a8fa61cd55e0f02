"""A person without hardware: the by-hand virtual bench, the run's page and the page of the hands, in a real Chromium.

Nothing but the two pages is looked at and pressed, by somebody who does what they say."""

from __future__ import annotations

import importlib
import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.describe.load import load_board

pytest.importorskip("starlette")
from wakeboard.harness.page.hands import PlayedHands

sys.path.insert(0, str(Path(__file__).parent))
bench_module = importlib.import_module("bench")
browser_module = importlib.import_module("chromium")
Command, POWERED = bench_module.Command, bench_module.POWERED

pytestmark = [
    pytest.mark.skipif(browser_module.PROGRAM is None, reason="Chromium is not installed (apt install chromium)"),
    pytest.mark.skipif(sys.platform == "win32", reason="the debugging pipe of POSIX systems"),
]
CHECKED = '[[step]]\ndo = "resistance"\nof = ["USB"]\nexpect = "> 1 kΩ"\n' + POWERED.replace('why = "a test"\n', "")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The toy board, its points on a drawing, and a sequence."""
    folder = tmp_path_factory.mktemp("hands")
    bench_module.write_toy(folder)
    nets = {"TP1": "VUSB", "TP2": "VIN", "TP3": "+3V3", "TP4": "EN", "TP5": "VAUX"}
    pads = [[name, "1", net, 10.0 * k, 5.0, 1.5, 1.5, "top"] for k, (name, net) in enumerate(nets.items(), start=1)]
    parts = {
        name: {
            "box": [10.0 * k - 1, 4.0, 10.0 * k + 1, 6.0],
            "side": "top",
            "fitted": True,
            "value": "",
            "number": "",
            "pins": {"1": nets[name]},
        }
        for k, name in enumerate(nets, start=1)
    }
    places = {"parts": parts, "pads": pads, "outline": [[[0, 0], [60, 0], [60, 20], [0, 20]]]}
    (folder / "places.json").write_text(json.dumps(places | FRAME), encoding="utf-8")
    (folder / "steps.toml").write_text(f'title = "First"\nboard = "board.toml"\n{CHECKED}', encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def virtual(folder: Path) -> Iterator[Any]:
    """`wakeboard virtual … --by-hand`, as it is typed: one for all tests here, as a person leaves it open."""
    with Command(folder, "virtual", "board.toml", "--settled", "--by-hand", "--bench-file", "hand.toml") as command:
        command.until("serving until")
        yield command


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browser_module.Chromium() as opened:
        yield opened


@pytest.fixture(scope="module")
def page(browser: Any, virtual: Any) -> Any:
    """The page of the hands."""
    hands = browser.tab(virtual.an_address("hands"))
    hands.until(lambda: "Your hands" in hands.run("document.body ? document.body.innerText : ''"), "the hands")
    return hands


@pytest.fixture
def hands(page: Any) -> Any:
    """The same, the probe off the board."""
    page.click("[data-do='lift']")
    page.until(lambda: "air" in page.says("#at"), "the probe is in the air")
    return page


class Newcomer:
    """Reads the run's page, and presses on the two pages what it asks for."""

    def __init__(self, run: Any, hands: Any) -> None:
        self.run = run
        self.hands = hands
        self.asked: list[str] = []
        self.wanted = ""  # the net that the probe was put on last
        self.forgot = ""

    def press_point(self, net: str) -> None:
        """On the drawing where it is there, by what its name says."""
        spot = f"svg [data-point='{POINTS[net]}']"
        self.hands.click(spot)
        self.hands.until(lambda: POINTS[net] in self.hands.says("#at"), f"the probe is on {net}")

    def go_on(self) -> None:
        """The large key, where there is one: after a reading there is none, the next point is taken by contact."""
        if self.run.run("document.querySelector('#keys .go:not(:disabled)') ? 1 : 0"):
            self.run.click("#keys .go")

    def assure(self) -> None:
        """What reads as an open lead does is said to be held, once it is."""
        moving = self.run.says("#moving")
        if ("as an open lead reads too" in moving or "reads as an open lead" in moving) and (
            self.wanted and POINTS[self.wanted] in self.hands.says("#at")
        ):
            self.run.press("Enter")
        elif "not moved yet" in moving and self.wanted:  # too quickly from the tips to the point: as it says
            self.hands.click("[data-do='lift']")
            self.hands.until(lambda: "air" in self.hands.says("#at"), "the probe is off")
            time.sleep(1.5)
            self.press_point(self.wanted)

    def act(self) -> None:
        title, detail, key = self.run.says_each("#prompt-title", "#prompt-detail", "#keys button:not(:disabled)")
        if not title or not key:
            return
        placed = "net " in title + detail or "Reverse the leads" in title
        if placed and self.asked and self.asked[-1] == title + detail:
            return  # the probe is where it was asked for
        self.asked.append(title + detail)
        if "tips together" in title:
            self.hands.click("[data-do='touch']")
            self.hands.until(lambda: "together" in self.hands.says("#at"), "the tips touch")
            self.go_on()
            self.run.until(lambda: "tips together" not in self.run.says("#prompt-title"), "the check is over")
            self.hands.click("[data-do='lift']")  # at once: tips that stay together are taken for the next point
            self.hands.until(lambda: "air" in self.hands.says("#at"), "the tips are apart")
        elif "hands clear" in title + detail and not self.forgot:
            self.forgot = title  # a newcomer presses the key with the probe still on the board
            self.go_on()
        elif "hands clear" in title + detail:
            self.hands.click("[data-do='lift']")
            self.hands.until(lambda: "air" in self.hands.says("#at"), "the probe is off")
            self.go_on()
        elif "still on" in title + detail:
            if not self.wanted or POINTS[self.wanted] in self.hands.says("#at"):
                self.go_on()
        elif "Reverse the leads at" in title:
            self.hands.click("[data-do='reverse']")
            self.hands.until(lambda: "reversed" in self.hands.says("#at"), "the leads are the other way round")
        elif "net " in title + detail:
            self.wanted = (title + detail).split("net ")[1].split()[0]
            self.press_point((title + detail).split("net ")[1].split()[0])
        else:
            self.go_on()


POINTS = {"VUSB": "TP1", "VIN": "TP2", "+3V3": "TP3", "EN": "TP4", "VAUX": "TP5"}
FRAME = {"board": "Toy", "base": {}}


TABLET, PHONE = (820, 1180), (390, 844)


def test_a_first_power_on_by_two_pages_and_nothing_else(virtual: Any, folder: Path, hands: Any, browser: Any) -> None:
    """The run on a phone, the hands on a tablet; a run on a tablet is in test_by_page.py, hands on a phone below."""
    told = (folder / "hand.toml").read_text(encoding="utf-8")
    assert 'by = "hand"' in told
    assert "scanner" not in told
    hands.size(*TABLET)
    assert hands.run("document.querySelectorAll('svg .spot').length") == len(POINTS)
    assert hands.run("document.documentElement.scrollWidth") <= TABLET[0]
    with Command(folder, "run", "steps.toml", "--unit", "T-1", "--bench", "hand.toml", "--page") as command:
        run = browser.tab(command.address, *PHONE)
        newcomer, ends = Newcomer(run, hands), time.monotonic() + 150
        lit = False
        while not run.says("#answer-word"):
            assert time.monotonic() < ends, newcomer.asked
            newcomer.act()
            newcomer.assure()
            lit = lit or "On: USB" in hands.says("#on-says")
            time.sleep(0.1)
        assert "PASS" in run.says("#answer-word"), command.text
        assert lit, "the page of the hands says what is on"
        assert any("The lead still is on TP1: lift it" in each for each in newcomer.asked), newcomer.asked
        hands.until(lambda: hands.says("#on-says") == "All outputs off", "off is said")
        assert command.wait() == 0, command.text
        assert run.complaints() == hands.complaints() == []


def test_a_press_while_the_probe_is_on_its_way_is_done_after_it(hands: Any) -> None:
    """On a phone, where every key is pressed once, too."""
    hands.size(*PHONE)
    assert hands.run("document.querySelectorAll('svg .spot').length") == len(POINTS)
    assert hands.run("document.documentElement.scrollWidth") <= PHONE[0]
    for net in ("VUSB", "EN", "+3V3"):  # a movement takes more than a second
        hands.click(f"svg [data-point='{POINTS[net]}']")
    assert "on its way" in hands.says("#at")
    hands.until(lambda: POINTS["+3V3"] in hands.says("#at"), "the probe is where it was wanted last")
    time.sleep(1.0)
    assert POINTS["+3V3"] in hands.says("#at"), "and stays there"
    for key, says in (("reverse", "reversed"), ("lift", "air"), ("touch", "together")):
        hands.click(f"[data-do='{key}']")
        hands.until(lambda says=says: says in hands.says("#at"), key)
    assert hands.complaints() == []


def test_the_hands_are_behind_the_door(virtual: Any) -> None:
    assert "wakeboard run steps.toml --unit 0001 --bench hand.toml --page" in virtual.text, "what to do next is told"
    client = importlib.import_module("test_door").Client(virtual.an_address("hands"))
    assert client.ask("GET", "/")[0] == 403
    assert client.ask("POST", "/hand", '{"do": "lift"}')[0] == 403
    client.cookie = client.ask("GET", client.path)[1]["set-cookie"].partition(";")[0]
    page = client.ask("GET", "/")[2]
    csrf = page.split('name="page" content="')[1].split('"')[0]
    ours = {"Origin": f"http://{client.host}", "x-wakeboard-page": csrf}
    assert client.ask("POST", "/hand", '{"do": "lift"}', Origin=ours["Origin"])[0] == 403
    assert client.ask("POST", "/hand", '{"do": "put", "point": "TP9"}', **ours)[0] == 400
    status, _, state = client.ask("POST", "/hand", '{"do": "put", "point": "TP3"}', **ours)
    assert (status, json.loads(state)) == (200, {"at": "TP3", "reversed": False, "on": []})
    assert json.loads(client.ask("POST", "/hand", '{"do": "reverse"}', **ours)[2])["reversed"]
    assert json.loads(client.ask("POST", "/hand", '{"do": "lift"}', **ours)[2]) == {
        "at": "", "reversed": False, "on": [],
    }  # fmt: skip


def test_reversed_leads_are_reversed_at_the_meter(tmp_path: Path) -> None:
    with bench_module.hand_bench(tmp_path) as at:
        probe, board = at.bench.probe, load_board(tmp_path / "board.toml")
        points = {name: at.routes[point.net] for name, point in board.points.items()}
        routes = at.bench.routes
        hands = PlayedHands("::".join(["TCPIP", *at.scanner, "SOCKET"]), points, routes.short, routes.swap)
        hands.reverse()
        assert (hands.at, hands.reversed) == ("", False), "in the air there is nothing to reverse"
        hands.put("TP3")
        assert (probe.high, probe.low) == ("+3V3", "GND")
        hands.reverse()
        assert (probe.high, probe.low, hands.reversed) == ("GND", "+3V3", True)
        hands.reverse()
        assert (probe.high, probe.low, hands.reversed) == ("+3V3", "GND", False)
        hands.reverse()
        hands.put("TP2")
        assert (probe.high, probe.low, hands.reversed) == ("VIN", "GND", False), "the next point is as usual"


def test_the_command_for_hands_is_that_of_the_sequence_for_hands_where_there_is_one(tmp_path: Path) -> None:
    from wakeboard.harness.cli.virtual import _a_sequence_beside

    (tmp_path / "first-power-on.toml").write_text('[[step]]\ndo = "power off"\n')
    board = str(tmp_path / "board.toml")
    assert _a_sequence_beside(board, by_hand=True).endswith("first-power-on.toml")
    (tmp_path / "by-hand.toml").write_text('title = "By hand"\nstep = [\n    { do = "power off" },\n]\n')
    assert _a_sequence_beside(board, by_hand=True).endswith("by-hand.toml")
    assert _a_sequence_beside(board).endswith("first-power-on.toml")
