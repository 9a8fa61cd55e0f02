"""Pages as text: complete, escaped, the same each time, and careful in what they say.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import html.parser
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import pandas as pd
import pytest

from wakeboard.results.ledger.records import Evidence, Finding, FindingEvent
from wakeboard.results.records import Reading, RunRecord, RunStart, Step, Trip
from wakeboard.results.report import render_batch, render_board, render_run, report_batch, report_board, report_run
from wakeboard.results.report.cautions import CAUTIONS
from wakeboard.results.statistics import gauge_anova

VOID = {"meta", "link", "br", "path", "circle", "rect"}


@dataclass
class Seen(html.parser.HTMLParser):
    """A strict enough reading of a page: every element closed in order, ids, references, text."""

    open: list[str] = field(default_factory=list)
    ids: list[str] = field(default_factory=list)
    wanted: list[str] = field(default_factory=list)
    links: list[str] = field(default_factory=list)
    tags: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    text: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.tags.append((tag, found))
        if tag not in VOID:
            self.open.append(tag)
        self.ids += [found["id"] or ""] if "id" in found else []
        for key in ("aria-labelledby", "aria-describedby"):
            self.wanted += (found.get(key) or "").split()
        self.links += [
            value or "" for key, value in attrs if key in ("href", "src", "action", "data", "poster", "srcset")
        ]
        self.wrong += [f"{tag} {key}" for key in found if key.startswith("on")]

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(f"</{tag}> where it does not belong")

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] not in ("style", "script"):
            self.text.append(data)

    @property
    def words(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.text))


def read(page: str) -> Seen:
    seen = Seen()
    seen.feed(page)
    seen.close()
    assert seen.open == [], f"left open: {seen.open}"
    assert seen.wrong == []
    return seen


FINDING = Finding(
    3,
    "u",
    "Skep",
    "RADIO_RST is neither low nor high",
    "seen <on> all units",
    1.0,
    "me",
    (
        FindingEvent("explained", "U5 pulls it up", 2.0, "me", ("U5.NRST:pull_up=13k",), "design"),
        FindingEvent("carried", "R31 becomes 1 kΩ", 3.0, "me", revision="B"),
    ),
    (Evidence("abcdef0123", 6, 2, "", "SK-A-001"),),
)
REVIEW = {
    "board": "Skep",
    "concerns": [
        {
            "rule": "weak-pull",
            "serious": False,
            "nets": ["RADIO_RST"],
            "path": [],
            "state": "",
            "says": "weak",
            "do": "",
        },
        {
            "rule": "phantom-power",
            "serious": True,
            "nets": ["+3V3_SENS"],
            "path": ["+3V3", "R16", "SDA", "U8", "+3V3_SENS"],
            "state": "USB on",
            "value": 2.31,
            "unit": "V",
            "says": "the switched-off rail is fed",
            "do": "move R16 and R17 to +3V3_SENS",
        },
    ],
}


@pytest.fixture(scope="module")
def pages(
    skep_runs: list[RunRecord],
    tripped_run: RunRecord,
    batch_runs: list[RunRecord],
    explanation: Mapping[str, Any],
) -> dict[str, str]:
    trials = [(p, a, 1.0 + p / 7 + a / 90 + t / 50) for p in range(5) for a in "12" for t in range(3) for a in [int(a)]]
    study = gauge_anova(pd.DataFrame(trials, columns=["part", "appraiser", "value"]))
    return {
        "run": render_run(skep_runs[3], explanation, REVIEW),
        "run without a model": render_run(skep_runs[1]),
        "trip": render_run(tripped_run),
        "board": render_board("Skep", skep_runs, explain=explanation, review=REVIEW, findings=[FINDING]),
        "board without a model": render_board("Skep", skep_runs),
        "batch": render_batch("Skep", batch_runs, gauge=study),
    }


def test_pages_are_whole_and_ask_nothing_of_the_network(pages: dict[str, str]) -> None:
    for name, page in pages.items():
        seen = read(page)
        assert len(seen.ids) == len(set(seen.ids)), name
        assert set(seen.wanted) <= set(seen.ids), name
        assert all(link.startswith(("#", "data:")) for link in seen.links), name
        assert {link[1:] for link in seen.links if link.startswith("#")} <= set(seen.ids), name
        assert "url(" not in page, name
        assert "@import" not in page, name
        scripts = [found for tag, found in seen.tags if tag == "script"]
        assert all(found.get("type") == "application/json" for found in scripts), name
        assert "default-src 'none'" in page, name


def test_the_same_run_gives_the_same_bytes(pages: dict[str, str], skep_runs: list[RunRecord], explanation: Any) -> None:
    assert render_run(skep_runs[3], explanation, REVIEW) == pages["run"]
    assert render_board("Skep", list(reversed(skep_runs))) == pages["board without a model"]


def test_every_drawing_has_a_text_alternative(pages: dict[str, str]) -> None:
    for name, page in pages.items():
        drawings = re.findall(r"<svg\b[^>]*>.*?</svg>", page, re.S)
        assert drawings, name
        for drawing in drawings:
            head = drawing[: drawing.index(">")]
            if 'aria-hidden="true"' in head:  # a mark that stands beside its word
                continue
            assert 'role="img"' in head
            assert re.search(r"<title id=\"[^\"]+\">[^<]+</title><desc id=\"[^\"]+\">[^<]+</desc>", drawing), drawing[
                :200
            ]


def test_cautions_stand_in_each_report_and_nothing_is_called_safe(pages: dict[str, str]) -> None:
    for name, page in pages.items():
        words = read(page).words
        for caution in CAUTIONS:
            assert caution in words, (name, caution)
        assert "It does not say that a board is safe" in words
        rest = words.replace("does not say that a board is safe", "").replace("does not make a short circuit safe", "")
        assert not re.search(r"\bsafe\b", rest), name


HOSTILE = "<script>alert(1)</script>\"'&</title></style><img src=x onerror=alert(2)>"


def hostile_run() -> RunRecord:
    """Everything that an instrument, a file or a person can write is an attack."""
    reading = Reading(
        HOSTILE, HOSTILE, 3.0, HOSTILE, 0.1, 0.0, 1.0, "fail", HOSTILE, HOSTILE, 1.0, 0.0, HOSTILE, HOSTILE
    )
    text = Reading("console", "text", None, "", outcome="pass", says=HOSTILE)
    threshold = {HOSTILE: {"low": 0.8, "high": 2.0, "rail": 3.3, "expected": HOSTILE}}
    volts = replace(reading, quantity="dc volts")
    steps = [
        Step(1, HOSTILE, "back-feed", "fail", 0, 1, [volts], HOSTILE, traffic=[(0.0, HOSTILE, ">", HOSTILE)]),
        Step(2, HOSTILE, "rails", "fail", 1, 2, [reading], HOSTILE),
        Step(3, HOSTILE, "line", "fail", 2, 3, [volts, text], HOSTILE, detail={"thresholds": threshold}),
    ]
    start = RunStart(HOSTILE, HOSTILE, HOSTILE, "", HOSTILE, "", "", HOSTILE, HOSTILE, HOSTILE, (HOSTILE,))
    return RunRecord("ab" * 16, start, 1.0, 2.0, "tripped", None, 1.0, Trip(HOSTILE, 1, HOSTILE, 1.0, 1.0), steps=steps)


def test_nothing_from_outside_becomes_markup() -> None:
    document = {
        "candidates": [{"fault": HOSTILE, "probability": 0.9, "accounts_for": [HOSTILE], "leaves": [HOSTILE]}],
        "next": [{"point": HOSTILE, "quantity": HOSTILE, "state": HOSTILE, "bits": 1.0}],
        "lines": [{"line": HOSTILE, "kind": "divider", "says": HOSTILE, "bodge": {"says": HOSTILE, "fit_ohms": 1.0}}],
    }
    review = {"concerns": [dict.fromkeys(("rule", "says", "do", "state"), HOSTILE) | {"nets": [HOSTILE]}]}
    finding = replace(FINDING, title=HOSTILE, text=HOSTILE)
    run = hostile_run()
    for page in (
        render_run(run, document, review),
        render_board(HOSTILE, [run], explain=document, review=review, findings=[finding]),
        render_batch(HOSTILE, [run, replace(run, id="cd" * 16)]),
    ):
        seen = read(page)
        assert {tag for tag, _ in seen.tags} & {"img", "iframe", "object"} == set()
        assert [found.get("type") for tag, found in seen.tags if tag == "script"] in ([], ["application/json"])
        assert "alert(1)" in seen.words


def test_the_run_is_embedded_as_json(pages: dict[str, str], skep_runs: list[RunRecord]) -> None:
    found = re.search(r'<script type="application/json" id="run">(.*?)</script>', pages["run"], re.S)
    assert found
    assert json.loads(found[1]) == json.loads(json.dumps(skep_runs[3].as_json()))
    hostile = re.search(r'id="run">(.*?)</script>', render_run(hostile_run()), re.S)
    assert hostile
    assert json.loads(hostile[1])["unit"] == HOSTILE


def test_a_run_names_what_is_odd_why_and_what_to_do(pages: dict[str, str]) -> None:
    words = read(pages["run"]).words
    assert "outside their limits" in words
    assert "inside U5 about 13 kΩ pulls NRST up" in words
    assert "leaves 1; its value: 11.9 kΩ to 14.3 kΩ (95 %)" in words
    assert "Fit a bodge: fit 1 kΩ from RADIO_RST to GND" in words
    assert "RADIO_RST reads 2.196 V: high (low up to 0.8 V, high from 2 V), expected low" in words  # for the drawing
    assert "was overdue since 2025-03-01" in words
    assert "no calibration date given" in words
    assert "virtual: a circuit model" in words


def test_a_trip_says_where_the_power_was_cut_and_what_not_to_do(pages: dict[str, str]) -> None:
    words = read(pages["trip"]).words
    assert "The guard cut the power in step 3: constant current on USB" in words
    assert "Do not power this unit again before the cause is found" in words
    assert "12 steps skipped, 4 to 15: nothing is known about them" in words
    assert "power cut: constant current" in words  # the trace's text alternative


@pytest.mark.parametrize(("off", "outcome"), [(None, "error"), (False, "fail")])
def test_outputs_that_were_not_confirmed_off_are_shouted(
    tripped_run: RunRecord, off: bool | None, outcome: str
) -> None:
    page = render_run(replace(tripped_run, outputs_off=off, outcome=outcome, trip=None))
    assert "OUTPUTS NOT CONFIRMED OFF" in read(page).words
    assert "Switch the supply off at its front panel" in read(page).words


def test_a_passing_run_says_so_and_no_more(make_record: Callable[..., RunRecord], make_unit: Any) -> None:
    good = {("USB", "RADIO_RST"): 0.3, "+3V3_SENS": 0.01}
    page = render_run(make_record(make_unit("SK-A-009", good), 9))
    words = read(page).words
    assert re.search(r"All \d+ readings lie within their limits", words)
    assert "No reading is outside its limits" in words
    assert "There is nothing to explain" in words


def test_an_unfinished_and_an_empty_run_can_be_shown() -> None:
    start = RunStart("U1", "Test", "A", "", "First", "")
    words = read(render_run(RunRecord("0" * 32, start, 1.0))).words
    assert "The run has no end yet" in words
    assert "names no instruments" in words
    assert "0 units" in read(render_board("Test", [])).words
    assert "nothing is known about the yield" in read(render_batch("Test", [])).words


def test_a_board_sorts_its_units_and_lists_the_next_revision(pages: dict[str, str]) -> None:
    words = read(pages["board"]).words
    assert "0 of 5 units passed" in words
    design = words[
        words.index("Outside limits in every unit") : words.index(
            "Outside limits, or unlike the others, not in every unit"
        )
    ]
    assert "RADIO_RST" in design
    assert "FLASH_CS" not in design
    assert "For the next revision RADIO_RST is neither low nor high : R31 becomes 1 kΩ" in words
    assert words.index("phantom power") < words.index("weak pull")  # serious concerns first
    assert "Of all units the reading that is largest by amount stands in each place" in words
    assert "5 units can show up to 2" in words
    # What a stranger is to do stands before all that explains it, right after the cautions, design mistakes too.
    do = words[words.index("What to do, in this order") : words.index("Outside limits in every unit")]
    assert words.index(CAUTIONS[0]) < words.index("What to do, in this order")
    assert "phantom power at +3V3_SENS" in do


def test_a_batch_shows_yield_capability_and_charts(pages: dict[str, str]) -> None:
    words = read(pages["batch"]).words
    assert "37 of 40 passed (92.5%)" in words
    assert "After rework 39 of 40 pass" in words
    assert "Cpk" in words
    assert "upper" in words
    assert "gauge R&R" in words


def test_reports_out_of_a_store_are_those_of_the_records(store_with_runs: Any, skep_runs: list[RunRecord]) -> None:
    runs = [store_with_runs.run(summary.id) for summary in reversed(store_with_runs.runs())]
    assert report_run(store_with_runs, runs[3].id) == render_run(runs[3])
    assert report_board(store_with_runs, "Skep") == render_board("Skep", runs)
    assert "5 units" in report_batch(store_with_runs, "Skep")


def test_many_units_are_not_put_side_by_side(batch_runs: list[RunRecord]) -> None:
    page = render_board("Skep", batch_runs)
    assert "too many to put side by side" in read(page).words
    assert len(page) < 400_000


def test_explanations_of_the_units_become_one_reason_and_one_bodge(
    skep_runs: list[RunRecord], explanation: Mapping[str, Any]
) -> None:
    common = [{"fault": "U5.NRST:pull_up=13k", "units": ["SK-A-001", "SK-A-005"]}]
    by_unit = {unit: {**explanation, "common": common} for unit in ("SK-A-001", "SK-A-005")}
    words = read(render_board("Skep", skep_runs, explain=by_unit)).words
    assert "inside U5 about 13 kΩ pulls NRST up U5.NRST:pull_up=13k in 2 of 5 units" in words
    do = words[words.index("What to do, in this order") : words.index("Outside limits in every unit")]
    assert do.count("Solder 1 kΩ across R31, for RADIO_RST") == 5  # of each unit: one whose readings could not ask too
    assert do.count("which carry the same parts; its own readings could not show it") == 3
    assert do.count("Ask what explains it: wakeboard explain") == 3  # of those that failed and were not explained
    assert "load=" not in words
    assert "an unknown pull of 13.01 kΩ" in words


def test_what_is_only_too_near_its_limit_is_not_called_outside(skep_runs: list[RunRecord]) -> None:
    def near(reading: Reading) -> Reading:
        return replace(reading, outcome="marginal") if reading.outcome == "fail" else reading

    runs = [
        replace(run, steps=[replace(step, readings=[near(r) for r in step.readings]) for step in run.steps])
        for run in skep_runs
    ]
    words = read(render_board("Skep", runs)).words
    assert "too near a limit to decide in every unit." in words
    assert "outside its limits in every unit" not in words
    assert "outside their limits in every unit" not in words
    assert "RADIO_RST dc volts, USB=5V@120mA is too near a limit to decide: measure finer" in words


def test_what_no_point_reached_is_told_first(skep_runs: list[RunRecord]) -> None:
    blind = Step(9, "rails", "rails", "skipped", 0, 1, [], "", detail={"not_reached": ["VSYS", "+3V3"]})
    words = read(render_board("Skep", [replace(run, steps=[*run.steps, blind]) for run in skep_runs])).words
    do = words[words.index("What to do, in this order") : words.index("Outside limits in every unit")]
    assert "No point reaches VSYS and +3V3: nothing was measured there" in do
    said = replace(blind, says="no point reaches VSYS, +3V3")
    run = read(render_run(replace(skep_runs[0], steps=[*skep_runs[0].steps, said]))).words
    assert "step 9, rails: skipped: no point reaches VSYS, +3V3" in run
    assert "from step 9 on" not in run


def test_a_unit_whose_supplies_feed_one_another_is_told_first(skep_runs: list[RunRecord]) -> None:
    fed = Step(9, "back-feed", "back-feed", "fail", 0, 1, [], "a remark; USB fed from CELL: do not connect both")
    runs = [replace(skep_runs[0], steps=[*skep_runs[0].steps, fed]), *skep_runs[1:]]
    words = read(render_board("Skep", runs)).words
    do = words[words.index("What to do, in this order") : words.index("Outside limits in every unit")]
    assert "SK-A-001 Until it is repaired, one supply at a time: USB fed from CELL." in do


def test_steps_that_were_never_begun_are_named(tripped_run: RunRecord) -> None:
    kept = [step for step in tripped_run.steps if step.number <= 3]
    page = render_run(replace(tripped_run, steps=[*kept, replace(kept[-1], number=21, kind="discharge")]))
    assert "not begun: 4 to 20" in read(page).words
