"""Texts and drawings piece by piece.

Figures are the tool's own layout and invented readings.
"""

from __future__ import annotations

import re

import pytest
from markupsafe import Markup

from wakeboard.results.records import SupplyTrace
from wakeboard.results.report.explain_view import explanation
from wakeboard.results.report.figures.strips import Thresholds, limit_strip, line_strip, outcome_mark, units_strip
from wakeboard.results.report.figures.svg import WIDTH, Axis, Pen, element
from wakeboard.results.report.figures.trace import TraceNotes, trace_figure
from wakeboard.results.report.text import (
    fault_words,
    short_units,
    show,
    show_measured,
    show_pair,
    state_without_load,
    state_words,
    when,
)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (3.302, "V", "3.302 V"),
        (0.3, "V", "0.3 V"),
        (0.0042, "V", "4.2 mV"),
        (-0.0042, "V", "−4.2 mV"),
        (0.0112, "A", "11.2 mA"),
        (13010.0, "Ω", "13.01 kΩ"),
        (9.99996e-4, "A", "1 mA"),
        (0.0, "V", "0 V"),
        (None, "V", "–"),
        (float("inf"), "V", "–"),
        (0.51, "%", "51 %"),
        (8388.0, "", "8388"),
    ],
)
def test_quantities(value: float | None, unit: str, text: str) -> None:
    assert show(value, unit) == text


def test_a_value_has_no_more_digits_than_its_uncertainty() -> None:
    assert show_measured(3.30212, 1e-4, "V") == "3.3021 V"
    assert show_measured(0.0040923, 1.5e-4, "V") == "4.1 mV"
    assert show_measured(2.0, 50.0, "V") == "2 V"


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [(None, None, ""), (None, 0.3, "< 0.3 V"), (2.0, None, "> 2 V"), (3.201, 3.399, "3.201 .. 3.399 V")],
)
def test_limits_are_written_as_in_the_files(low: float | None, high: float | None, text: str) -> None:
    assert show_pair(low, high, "V") == text


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("U5.NRST:pull_up=13k", "inside U5 about 13 kΩ pulls NRST up"),
        ("R14:missing", "R14 is missing"),
        ("U2:variant=2.8 V", "U2 is the wrong variant, 2.8 V"),
        ("+3V3+GND:bridge=2", "+3V3 and GND are bridged, about 2 Ω"),
        ("GND++3V3:bridge=2", "GND and +3V3 are bridged, about 2 Ω"),
        ("U1.GPIO7:stuck=high", "U1 holds GPIO7 high"),
        ("U1.GPIO7:net=VSYS", "pin GPIO7 of U1 is on VSYS"),
        ("D3:reversed", "D3 is fitted the wrong way round"),
        ("something else", "something else"),
    ],
)
def test_faults_in_plain_words(fault: str, words: str) -> None:
    # The fault texts are those of the command line's own contract.
    assert fault_words(fault) == words


def test_serial_numbers_lose_what_all_share() -> None:
    assert short_units(["SK-A-001", "SK-A-012"]) == {"SK-A-001": "001", "SK-A-012": "012"}
    assert short_units(["X1", "Y2"]) == {"X1": "X1", "Y2": "Y2"}
    assert short_units(["SK-A-001"]) == {"SK-A-001": "SK-A-001"}
    assert short_units(["A-1", "A-1-2"]) == {"A-1": "1", "A-1-2": "1-2"}


def test_states_without_what_goes_without_saying() -> None:
    assert state_words("USB=5V@120mA; load=10MΩ") == "USB=5V@120mA"
    assert state_words("USB=5V@120mA; load=10kΩ") == "USB=5V@120mA; 10 kΩ load"
    assert state_words("USB=5V@120mA; load=9.99001kΩ") == "USB=5V@120mA; 10 kΩ load"  # 10 kΩ beside 10 MΩ
    assert state_words("off; load=10MΩ") == ""
    assert state_without_load("USB=5V@120mA; U1.GPIO7=low; load=1kΩ>+3V3") == "USB=5V@120mA; U1.GPIO7=low"


def test_time_is_the_same_text_on_every_machine() -> None:
    assert when(0.0) == "1970-01-01 00:00 UTC"
    assert when(None) == "–"


def test_elements_escape_attributes_and_text() -> None:
    made = element("text", '<b>"&', class_='x" onload="y')
    assert made == Markup('<text class="x&#34; onload=&#34;y">&lt;b&gt;&#34;&amp;</text>')


def test_axes() -> None:
    assert Axis(0, 10).at(5) == 0.5
    assert Axis(0, 10).at(-3) == 0.0
    assert Axis(1, 1000, log=True).at(31.6227766) == pytest.approx(0.5)
    assert Axis(0, 10).ticks(5) == [0, 2, 4, 6, 8, 10]
    assert Axis(0.0, 0.97).ticks(5) == pytest.approx([0, 0.2, 0.4, 0.6, 0.8])
    assert Axis(1, 1000, log=True).ticks() == [1, 10, 100, 1000]


def dots(drawing: str) -> list[tuple[float, str]]:
    """(x, kind) of the dots of a drawing."""
    return [(float(x), kind) for x, kind in re.findall(r'd="M([\d.]+) [\d.]+h0.01" class="dot dot-(\w+)"', drawing)]


def brackets(drawing: str) -> list[float]:
    return [float(x) for x in re.findall(r'2H([\d.]+)V[\d.]+H[\d.]+" class="limit"', drawing)]


@pytest.mark.parametrize(
    ("value", "outcome"), [(3.3, "pass"), (3.0, "fail"), (3.9, "fail"), (50.0, "fail"), (-50.0, "fail")]
)
def test_a_dot_stands_on_its_side_of_the_limits(value: float, outcome: str) -> None:
    drawing = limit_strip(Pen(), "+3V3", value, 3.2, 3.4, 0.001, "V", outcome)
    (x, kind), (low, high) = dots(drawing)[0], brackets(drawing)
    assert kind == outcome
    assert 0 <= x <= WIDTH
    assert (low < x < high) == (outcome == "pass")
    assert (x < low) == (value < 3.2)


def test_a_resistance_far_above_its_limit_is_drawn_by_decades() -> None:
    drawing = limit_strip(Pen(), "VBAT", 2e6, 1e3, None, 1.0, "Ω", "pass")
    assert dots(drawing)[0][0] > brackets(drawing)[0] > 50


def test_outcomes_differ_in_shape_not_only_in_colour() -> None:
    shapes = {
        outcome: re.sub(r"mark-\w+", "", outcome_mark(outcome))
        for outcome in ("pass", "fail", "marginal", "tripped", "error", "skipped")
    }
    assert len(set(shapes.values())) == len(shapes)


def test_a_line_between_its_thresholds() -> None:
    limits = Thresholds(0.8, 2.0, 3.3, "low")
    drawing = line_strip(Pen(), "RADIO_RST", 1.4, 1.2, limits, "fail", second=0.7)
    assert "neither low nor high" in drawing
    assert "expected low" in drawing
    assert "AC 1.2 V RMS" in drawing
    assert 'class="swing"' in drawing
    edges = [float(x) for x in re.findall(r'd="M([\d.]+) 1L[\d.]+ 23" class="limit"', drawing)]
    found = {kind: x for x, kind in dots(drawing)}
    assert edges[0] < found["fail"] < edges[1]
    assert found["plain"] < edges[0]


def test_units_share_a_label_where_labels_would_cover_each_other() -> None:
    values = {"001": 1.0, "002": 1.001, "003": 2.0, "004": 1.5}
    drawing = units_strip(Pen(), "N", values, 0.5, 1.9, "V", ["003"], aside=["004"])
    assert ">001 002</span>" in drawing
    assert re.search(r"is-odd[^>]*>003<", drawing)
    assert ">(004)</span>" in drawing
    assert "004 1.5 V (tells nothing)" in drawing


def trace(n: int, peak_at: int) -> SupplyTrace:
    amps = [0.01] * n
    amps[peak_at] = 0.3
    return SupplyTrace(
        [i * 0.01 for i in range(n)], [5.0] * n, amps, [0.12] * n, ["cc" if i == peak_at else "cv" for i in range(n)]
    )


def test_a_long_trace_keeps_its_peak() -> None:
    drawing = trace_figure(Pen(), "USB", trace(50_000, 31_415), TraceNotes())
    assert len(drawing) < 60_000
    path = re.search(r'd="M([^"]+)" class="current"', drawing)
    assert path
    heights = [float(point.split(" ")[1]) for point in path[1].split("L")]
    assert min(heights) == pytest.approx(200 * (1 - 1 / 1.12), abs=0.1)  # the top has 12 % room
    assert "highest 300 mA at 314 s" in drawing
    assert "constant current in 1 of 50000 samples" in drawing


def test_nothing_is_drawn_through_the_time_that_nobody_looked() -> None:
    """Off for half a minute between two voltages: no ramp was there."""
    times = [0.0, 0.01, 0.02, 27.0, 27.01, 27.02]
    seen = SupplyTrace(times, [0.8] * 3 + [5.0] * 3, [0.01] * 6, [0.12] * 6, ["cv"] * 6)
    drawing = trace_figure(Pen(), "USB", seen, TraceNotes())
    assert len(re.findall(r'class="voltage"', drawing)) == 2
    assert len(re.findall(r'class="current"', drawing)) == 2
    assert len(re.findall(r'class="voltage"', trace_figure(Pen(), "USB", trace(50_000, 7), TraceNotes()))) == 1


def test_a_trace_of_one_sample_is_not_drawn() -> None:
    assert trace_figure(Pen(), "USB", trace(1, 0), TraceNotes()) == ""


def test_an_explanation_in_words() -> None:
    view = explanation(
        {
            "candidates": [
                {"fault": "none", "probability": 0.001},
                {"fault": "R1:open", "probability": 0.999, "accounts_for": ["a", "b"], "leaves": ["c"]},
            ],
            "next": [
                {"point": "TP1", "quantity": "dc volts", "state": "off", "bits": 0.5},
                {
                    "point": "TP2",
                    "quantity": "ohms",
                    "bits": 0.25,
                    "does": "ohms of TP2 with 10 kΩ across",
                },
            ],
            "lines": [
                {
                    "line": "X",
                    "kind": "divider",
                    "source_volts": 2.0,
                    "source_ohms": 1e4,
                    "pull_ohms": 1.3e4,
                    "pull_ohms_u": 100.0,
                    "pull_to": "+3V3",
                    "bodge": {"fit_ohms": 1e3, "low_ohms": 300.0, "high_ohms": None, "across": "R31", "to": "GND"},
                },
                {"line": "Y", "kind": "level", "bodge": None},
            ],
        }
    )
    assert [c.sure for c in view.candidates] == ["less than 1 %", "more than 99 %"]
    assert view.best is None  # the first is not likely
    assert view.candidates[1].says == "accounts for 2 odd readings, leaves 1"
    assert view.next == (
        "measure dc volts at TP1, nothing powered – worth 0.5 bit",
        "ohms of TP2 with 10 kΩ across – worth 0.25 bit",
    )
    assert [line.line for line in view.lines] == ["X"]
    assert view.lines[0].bodge == "fit 1 kΩ on X to GND, across R31; anything from 300 Ω up works in the worst case"
    assert "13 kΩ ± 200 Ω to +3V3" in view.lines[0].words
