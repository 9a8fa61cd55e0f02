"""A person at the bench who touches nothing but probes and a page: whole runs in a real Chromium, the board on a
virtual bench at real sockets, Stop as the instrument sees it, the page's death, a cut network."""

from __future__ import annotations

import importlib
import os
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.page.link import told_odd

sys.path.insert(0, str(Path(__file__).parent))
bench_module = importlib.import_module("bench")
browser_module = importlib.import_module("chromium")
Command, HandBench, POWERED = bench_module.Command, bench_module.HandBench, bench_module.POWERED

pytestmark = [
    pytest.mark.skipif(browser_module.PROGRAM is None, reason="Chromium is not installed (apt install chromium)"),
    pytest.mark.skipif(sys.platform == "win32", reason="the debugging pipe of POSIX systems"),
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browser_module.Chromium() as opened:
        yield opened


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Any]:
    with bench_module.hand_bench(tmp_path) as served:
        yield served


class Person:
    """Reads the page and nothing else; moves the probes; answers by the page's buttons, or by keys."""

    def __init__(self, tab: Any, bench: Any) -> None:
        self.tab = tab
        self.bench = bench
        self.prompts: list[tuple[str, str]] = []  # (what had power, what was asked)
        self.readings: list[str] = []
        self.shown: set[tuple[str, str]] = set()  # (what the large number is of, the number)

    def look(self) -> str:
        """What is asked just now; acted on once."""
        title, detail, key, power, large_of, large = self.tab.says_each(
            "#prompt-title", "#prompt-detail", "#keys button:not(:disabled)", "#power-text", "#reading-of", "#reading"
        )
        if large not in ("", "–") and (not self.readings or self.readings[-1] != large):
            self.readings.append(large)
        self.shown.add((large_of, large))
        if not title or not key or (self.prompts and self.prompts[-1][1:] == (title + detail,)):
            return ""
        self.prompts.append((power, title + detail))
        return f"{title}\n{detail}"

    def act(self, asked: str) -> None:
        if "tips together" in asked:
            self.bench.hand("the other tip")
            time.sleep(0.3)
            self.tab.press("Enter")
        elif "hands clear" in asked:
            self.bench.hand("")
            self.tab.click("#keys .go")
        elif "net " in asked:
            net = asked.split("net ")[1].split()[0]
            self.bench.hand("")
            time.sleep(1.5)  # as a hand takes; the run must see the lead in the air
            self.bench.hand(net)
        elif asked and "Taken" not in asked:
            self.tab.click("#keys .go")

    def work(self, until: Any, late: float = 120.0) -> None:
        ends = time.monotonic() + late
        while not until():
            assert time.monotonic() < ends, f"{self.prompts}\n{self.tab.run('document.body.innerText')}"
            self.act(self.look())
            if "as an open lead reads too" in self.tab.says("#moving"):
                self.tab.press("Enter")
            time.sleep(0.05)


def test_a_whole_run_by_hand_through_the_page(bench: Any, browser: Any) -> None:
    bench.steps(POWERED)
    with Command(
        bench.folder, "run", "steps.toml", "--unit", "T-1", "--bench", "hand.toml", "--page", cold=True
    ) as command:
        tab = browser.tab(command.address, width=820, height=1180)
        person = Person(tab, bench)
        tab.until(lambda: "cautions say" in tab.says("#prompt-title"), "the first question")
        assert "Capacitors stay charged" in tab.says("#cautions"), "what is asked about stands where it is asked"
        assert "Its current reading says little" in tab.says("#cautions")
        assert tab.run("document.querySelector('#cautions li').getBoundingClientRect().bottom < innerHeight - 100")
        person.work(lambda: tab.says("#answer-word"))
        assert not tab.run("document.querySelector('#before details').open")
        assert "PASS" in tab.says("#answer-word")
        assert "confirmed off" in tab.says("#answer-do")
        assert tab.says("#next") == ""
        assert command.wait() == 0, command.text
    assert any("3.3" in each or "3.2" in each for each in person.readings), person.readings
    probed = [power for power, asked in person.prompts if asked.startswith("Probe")]
    assert any(power.startswith("LIVE: USB on, 5 V, limit 100 mA") for power in probed), person.prompts
    named = [large for label, large in person.shown if label == "VIN at TP2"]
    assert any(large.startswith("4.") for large in named), "while the next point is asked for, by its name"
    old = [large for label, large in person.shown if label.startswith("With power on: +3V3 dc volts 3.2")]
    assert old == ["–"], "power is off: nothing large stands for what was"
    assert any(label.startswith("With power on: TP1 dc volts 7") for label, _ in person.shown), "the comparison, too"
    gates = [asked for _, asked in person.prompts if "hands clear" in asked]
    assert len(gates) == 2
    assert tab.complaints() == []
    assert not bench.on


def test_an_output_that_is_on_before_the_run_is_not_called_off(bench: Any, browser: Any) -> None:
    """Switched on at the supply's panel; a person stops at the first question, before the run has looked."""
    bench.steps(POWERED)
    bench.switch_on()
    with Command(bench.folder, "run", "steps.toml", "--unit", "T-1", "--bench", "hand.toml", "--page") as command:
        tab = browser.tab(command.address, width=820, height=1180)
        tab.until(lambda: "cautions say" in tab.says("#prompt-title"), "the first question")
        assert bench.on
        assert tab.says("#power-text") == "Not looked at yet: look at the supply's panel"
        assert tab.run("document.querySelector('#power').dataset.power") == "unknown"
        tab.press("Escape")
        tab.until(lambda: tab.says("#stop-says") == "✔ Confirmed off", "off")
        assert tab.says("#power-text") == "All outputs off"
        assert not bench.on
        tab.until(lambda: "STOPPED" in tab.says("#answer-word"), "the word for it")
        assert "stopped by the operator" in tab.says("#answer-seen")
        assert command.wait() == 4, command.text
    assert "error:" not in command.text


def test_what_failed_stands_with_the_word(bench: Any, browser: Any) -> None:
    """Through the scanner, with a limit that no board of this kind keeps: a tablet is all that a person looks at."""
    bench.steps(POWERED.replace('do = "rails"', 'do = "rails"\nexpect = "0.9 V .. 1.1 V"'))
    with Command(bench.folder, "run", "steps.toml", "--unit", "T-1", "--bench", "bench.toml", "--page", "--no-input",
                 "--energise") as command:  # fmt: skip
        tab = browser.tab(command.address, width=390, height=844)
        tab.until(lambda: tab.says("#answer-word"), "the end")
        assert "FAIL" in tab.says("#answer-word")
        assert "rails: fail: +3V3 dc volts 3.2" in tab.says("#answer-seen")
        assert "+3V3 3.2" in tab.says("#steps [data-outcome='fail']"), "the list says which, too"
        assert tab.says("#next") == ""
        assert tab.run("document.documentElement.scrollWidth") <= 390
        assert command.wait() == 1, command.text


@pytest.mark.parametrize(
    ("count", "last"), [(0, None), (8, "reading 8"), (11, "and 3 readings more: see the unit's page")]
)
def test_many_are_counted(count: int, last: str | None) -> None:
    told = told_odd([f"reading {n}" for n in range(1, count + 1)])
    assert (told[-1] if told else None) == last


def test_stop_in_mid_ramp_is_off_at_the_instrument_before_the_page_says_so(bench: Any, browser: Any) -> None:
    bench.steps('[[step]]\ndo = "power on"\nsupply = "USB"\nlimit = "100 mA"\nwhy = "a test"\n'
                'ramp = "0.05 V every 200 ms"\n')  # fmt: skip
    with Command(bench.folder, "run", "steps.toml", "--unit", "T-1", "--bench", "hand.toml", "--page") as command:
        tab = browser.tab(command.address, width=390, height=800)
        person = Person(tab, bench)
        person.work(lambda: bench.on and "3." in tab.says(".supply .volts"))
        tab.press("Escape")
        said = tab.until(lambda: tab.says("#stop-says") if "onfirmed" in tab.says("#stop-says") else "", "off")
        assert not bench.on, "the page may say so only once it is so"
        assert "Confirmed off" in said
        assert command.wait() == 4, command.text
    assert "stopped at the page" in command.text


def test_a_browser_that_was_closed_is_opened_again_and_stops(bench: Any, browser: Any, tmp_path: Path) -> None:
    """Power is on and the person closes the browser: the terminal says so, with an address that is good in it and in
    another one."""
    bench.steps(POWERED.replace('[[step]]\ndo = "rails"', '[[step]]\ndo = "wait"\nfor = "120 s"', 1))
    with Command(bench.folder, "run", "steps.toml", "--unit", "T-1", "--bench", "bench.toml", "--page", "--no-input",
                 "--energise") as command:  # fmt: skip
        with browser_module.Chromium(tmp_path / "profile") as first:
            tab = first.tab(command.address)
            tab.until(lambda: bench.on and "LIVE" in tab.says("#power-text"), "power")
        command.until(r"no page is open any more; the run goes on")
        addresses = [line for line in command.text.splitlines() if "page: http" in line]
        again = command.until(r"any more;[^\n]*\n\s*page: (\S+)")[1]
        assert again in addresses[-1]
        with browser_module.Chromium(tmp_path / "profile") as same:
            back = same.tab(again)
            back.until(lambda: "LIVE" in back.says("#power-text"), "the same browser is in as before")
        fresh = browser.tab(again)  # another one, that was not in here before
        fresh.until(lambda: "LIVE" in fresh.says("#power-text"), "the printed address lets another one in")
        fresh.press("Escape")
        fresh.until(lambda: "Confirmed off" in fresh.says("#stop-says"), "off")
        assert not bench.on
        assert command.wait() == 4, command.text


def test_the_page_dies_and_the_run_goes_on(bench: Any, browser: Any) -> None:
    """On the scanner, energised by the option: the server is killed while the board has power."""
    bench.steps(POWERED.replace('[[step]]\ndo = "rails"', '[[step]]\ndo = "wait"\nfor = "12 s"', 1))
    with Command(bench.folder, "run", "steps.toml", "--unit", "T-1", "--bench", "bench.toml", "--page", "--no-input",
                 "--energise") as command:  # fmt: skip
        tab = browser.tab(command.address)
        tab.until(lambda: bench.on and "LIVE" in tab.says("#power-text"), "power")
        pid = command.page_pid()
        os.kill(pid, signal.SIGSTOP)  # as a cut network: the connection stands, and nothing comes
        said = tab.until(lambda: tab.says("#contact"), "no contact is said", late=30)
        assert said.startswith("No contact since")
        assert tab.says("#power-text") == "Not known"
        os.kill(pid, signal.SIGCONT)
        tab.until(lambda: not tab.says("#contact") and "LIVE" in tab.says("#power-text"), "contact again")
        os.kill(pid, signal.SIGKILL)
        lost = tab.until(lambda: tab.says("#contact"), "no contact is said", late=30)
        assert lost.startswith("No contact since")
        assert tab.says("#power-text") == "Not known"
        assert tab.says(".supply .volts") in ("", "– V"), "an old value is not left standing"
        assert command.wait() == 0, command.text
    assert not bench.on


def test_smoke_scan_answer_count_next(bench: Any, browser: Any) -> None:
    """The virtual bench in process; the scanner types into the page. One unit passes, one is short at its input."""
    (bench.folder / "units.toml").write_text('board = "board.toml"\n[units.BAD]\nplant = ["VUSB+GND:bridge=0.5"]\n')
    bench.steps('[[step]]\ndo = "resistance"\nof = ["USB"]\nexpect = "> 100 Ω"\n' + POWERED)
    with Command(bench.folder, "smoke", "steps.toml", "--page", cold=True) as command:
        tab = browser.tab(command.address, width=390, height=800)
        for unit, word in (("T-1", "PASS"), ("BAD", "FAIL")):
            tab.until(lambda: tab.says("#prompt-title") == "Scan the next unit", "a scan is asked for")
            tab.run("document.querySelector('#text').focus()")
            tab.type(unit)
            tab.press("Enter")
            tab.until(lambda unit=unit: tab.says("#unit") == unit, unit)
            tab.until(lambda word=word: word in tab.says("#answer-word"), word)
            told = tab.until(lambda: tab.says("#count-says"), "the count")
        assert tab.until(lambda: "Failed most: step 1" in tab.says("#count-failed"), "what failed most")
        told = tab.until(lambda: tab.says("#count-says") if "2 runs" in tab.says("#count-says") else "", "two")
        assert "1 of 2" in told
        assert "Do not power it" in tab.says("#answer-do")
        other = browser.tab(tab.run("location.origin + '/'"), width=1280)
        other.until(lambda: "FAIL" in other.says("#answer-word"), "two pages show the same")
        other.press("Escape")
        assert command.wait() in (1, 4), command.text
    assert tab.complaints() == []
