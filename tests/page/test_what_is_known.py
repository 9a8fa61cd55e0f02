"""What the page says of power, readings and probes as a run goes on: the words that it is sent, without a browser."""

from __future__ import annotations

from queue import SimpleQueue
from threading import Event
from types import SimpleNamespace
from typing import Any

import pytest

pytest.importorskip("starlette")
from wakeboard.harness.page.link import DISCHARGE, IN_THE_AIR, PageLink, SeenGuard, odd_values
from wakeboard.harness.page.picture import Picture
from wakeboard.harness.run.guard.core import Envelope
from wakeboard.harness.run.guard.terms import OffReport
from wakeboard.harness.run.hand.aloft import KEYS, LIFTED_KEYS, SAYS
from wakeboard.results.records import Reading, Step

OFF, UNKNOWN = OffReport({"USB": "off"}), OffReport({"USB": "unknown"}, {"USB": "no reply"})
LIVE = "LIVE: USB on, 5 V, limit 100 mA"


class Guard:
    """Answers as it is told; `energise` switches nothing."""

    def __init__(self) -> None:
        self.report = OFF
        self.left: OffReport | None = None
        self.stopped: OffReport | None = None
        self.stops: list[str] = []

    def answers(self, *_what: object) -> OffReport:
        return self.report

    prove_off = all_off = off = answers

    def energise(self, *_what: object) -> str:
        return ""

    def beat(self, _lease: float) -> None: ...

    def stop(self, why: str) -> None:
        self.stops.append(why)

    def latest(self) -> dict[str, object]:
        return {}


@pytest.fixture
def link() -> Any:
    """Without its process and its threads."""
    made: Any = object.__new__(PageLink)
    made.picture, made._number, made._odd, made._guard = Picture(), 0, [], None
    made._read, made._looks, made._asked, made.stop_pressed = False, 0, {}, False
    made._keys, made._ended, made.alone = SimpleQueue(), Event(), False
    return made


def watched(link: Any) -> tuple[Guard, Any]:
    guard = Guard()
    bench = SimpleNamespace(guard=guard, cautions={})
    link.watch(bench)
    return guard, bench.guard


def lit(seen: SeenGuard) -> None:
    seen.energise("USB", SimpleNamespace(), Envelope(volts=5.0, limit=0.1, inrush_s=0.1), None)  # type: ignore[arg-type]


def read(of: str, volts: float, outcome: str = "pass") -> Reading:
    return Reading(of, "dc volts", volts, "V", 0.1, 0.0, 5.0, outcome, "", "", None, 1.0)


def test_nothing_is_called_off_before_it_was_proved(link: Any) -> None:
    guard, seen = watched(link)
    link.warns("Run 0123 was broken off")
    link.asks("", "Everything as the cautions say?", "", KEYS)
    link.asks("All outputs off", "Move the supply's leads to USB", "", KEYS)
    seen.beat(1.0)
    assert link.picture.get("power") == ""
    assert link.picture.get("warnings") == ["Run 0123 was broken off"]
    guard.report = UNKNOWN
    seen.prove_off()
    assert link.picture.get("power") == "NOT CONFIRMED OFF: USB: unknown (no reply)"
    assert link.picture.get("warnings")
    guard.report = OFF
    seen.prove_off()
    assert link.picture.get("power") == "All outputs off"
    assert link.picture.get("warnings") == []
    watched(link)
    assert link.picture.get("power") == "", "the next bench that is opened has not been looked at"


def test_a_stop_before_the_first_step_is_a_stop(link: Any) -> None:
    guard, _ = watched(link)
    link._stop()
    guard.left = OFF
    link.broke("stopped before anything was energised", stopped=True)
    shown = link.picture.document()
    assert shown["power"] == "All outputs off"
    assert shown["stop"] == {"says": "", "off": True}
    assert shown["ended"] == {"outcome": "stopped", "seen": ["stopped by the operator, before the first step"],
                              "off": True, "off_says": "outputs confirmed off"}  # fmt: skip


def test_a_stop_while_the_bench_is_being_opened_meets_the_guard_that_comes(link: Any) -> None:
    """Nobody is there to be told: the run would go on and switch power on, whatever was pressed."""
    link._stop()
    assert link.picture.document()["stop"] == {"says": "Stop: nothing is switched on any more", "off": None}
    guard, _ = watched(link)
    assert guard.stops == ["stopped at the page"]
    assert "the guard switches off" in link.picture.document()["stop"]["says"]


def test_a_stop_between_two_questions_is_the_answer_to_the_next(link: Any) -> None:
    link.asks("", "Scan the next unit", "", "q: stop", text=True)
    link.answered()
    link._stop()
    link.asks("", "Scan the next unit", "", "q: stop", text=True)
    assert link.key() == "\x03"


def test_a_key_that_was_meant_for_an_earlier_question_answers_nothing(link: Any) -> None:
    """Of two pages, one of which is slow; or of a person who presses twice."""
    link.asks("", "Probe TP1", "", KEYS)
    link._pressed({"do": "key", "prompt": 1, "key": "\r"})
    link._pressed({"do": "key", "prompt": 1, "key": "\r"})
    assert link.key() == "\r"
    link.asks("", "Probe TP2", "", KEYS)
    link._pressed({"do": "key", "prompt": 1, "key": "s"})
    assert link.key() is None


def test_no_question_is_answered_before_it_is_asked(link: Any) -> None:
    """Numbers can be guessed: "Is the cell off? Power goes on" would be answered as it appears, unread."""
    link.asks("", "Probe TP1", "", KEYS)
    link.answered()
    for number in range(2, 50):
        link._pressed({"do": "key", "prompt": number, "key": "\r"})
    link.asks("", "Hands clear?", "", KEYS)
    assert link.key() is None


def test_a_bench_that_could_not_be_opened_says_nothing_of_its_outputs(link: Any) -> None:
    link.broke("no reply")
    assert link.picture.get("power") == ""
    assert link.picture.get("ended")["outcome"] == "error"


@pytest.mark.parametrize(("report", "says"), [(OFF, "All outputs off"), (UNKNOWN, "NOT CONFIRMED OFF: USB: unknown")])
def test_a_stop_and_the_headline_change_together(link: Any, report: OffReport, says: str) -> None:
    guard, seen = watched(link)
    seen.prove_off()
    lit(seen)
    link._stop()
    assert link.picture.document()["power"] == "LIVE: USB on, 5 V, limit 100 mA", "until the guard has said it"
    guard.stopped = report
    link._look_for_dark()
    seen._show()  # the runner has not noticed yet
    shown = link.picture.document()
    assert shown["power"].startswith(says)
    assert shown["supplies"] == []
    link.ended("stopped", "", OFF)
    assert link.picture.document()["power"] == "All outputs off"
    assert link.picture.document()["stop"]["off"] is True


def test_a_reading_belongs_to_its_spell_of_power(link: Any) -> None:
    _, seen = watched(link)
    seen.prove_off()
    lit(seen)
    link.reading(read("VIN", 4.643))
    assert link.picture.get("reading")["spell"] == link.picture.get("spell")
    assert link.picture.get("reading")["live"]
    seen.all_off()
    assert link.picture.get("reading")["spell"] != link.picture.get("spell"), "power went"
    lit(seen)
    assert link.picture.get("reading")["spell"] != link.picture.get("spell"), "and came again"


def test_what_no_step_tells_is_shown_as_taken(link: Any) -> None:
    link.picture.put(power=LIVE, proved=True)
    link.asks(LIVE, "Probe J1_5", "net VUSB", "Enter: it is so")
    link.took("J1_5", "397.5 mV")
    assert (link.picture.get("reading")["of"], link.picture.get("reading")["value"]) == ("J1_5", "397.5 mV")
    link.took("J1_5", "797.4 mV")
    assert link.picture.get("reading")["value"] == "797.4 mV"
    link.asks(LIVE, "Probe TP1", "net VIN", "Enter: it is so")
    link.reading(read("VIN", 4.643))
    link.took("TP1", "4.64 V")
    shown = link.picture.get("reading")
    assert (shown["of"], shown["at"], shown["value"], shown["word"]) == ("VIN", "TP1", "4.643 V", "pass")
    link.asks(LIVE, "Probe TP3", "net +3V3", "Enter: it is so")
    assert link.picture.get("prompt")["number"] > shown["asked"], "it is of the point before"


def test_the_question_follows_the_lead(link: Any) -> None:
    detail = "It reads 3.301 V. Not switched on yet: USB, 5 V. Lift it, hands clear."
    link.asks("", "The lead still is on TP1: lift it", detail, LIFTED_KEYS)
    assert link.picture.get("prompt")["detail"] == detail
    link.asks("", "The lead still is on TP1: lift it", detail, LIFTED_KEYS)
    assert link.picture.get("prompt")["detail"] == f"Looked 2 times: still on, not switched on. {detail}"
    number = link.picture.get("prompt")["number"]
    link.shows(f"0.000 V  {SAYS['air']}")
    lifted = link.picture.get("prompt")
    assert (lifted["title"], lifted["detail"]) == (IN_THE_AIR, "Not switched on yet: USB, 5 V. Hands clear.")
    assert lifted["number"] == number, "the same question: its keys stay"
    link.shows(f"3.301 V  {SAYS['on']}")
    assert link.picture.get("prompt")["title"] == "The lead still is on TP1: lift it"
    link.asks("", "Probe TP3", "net +3V3", "Enter: it is so")
    link.shows(f"0.000 V  {SAYS['air']}")
    assert link.picture.get("prompt")["title"] == "Probe TP3"


def test_a_failed_step_names_net_and_value(link: Any) -> None:
    readings = [read("VIN", 4.9), *(read(f"N{n}", 1.383, "fail") for n in range(4))]
    step = Step(number=6, name="back-feed", kind="back feed", outcome="fail", started=0.0, ended=1.0,
                readings=tuple(readings))  # fmt: skip
    assert odd_values(step) == ["N0 1.383 V", "N1 1.383 V", "and 2 more"]
    link.step_ends(step)
    assert link.picture.get("steps")[-1]["odd"] == odd_values(step)


@pytest.mark.parametrize(("kind", "says"), [("power off", "the end of the run"), ("rails", DISCHARGE)])
def test_what_follows_the_last_step(link: Any, kind: str, says: str) -> None:
    link.picture.put(titles=["Last"])
    link.step_begins(1, 1, "Last", kind)
    assert link.picture.get("step")["next"] == says
