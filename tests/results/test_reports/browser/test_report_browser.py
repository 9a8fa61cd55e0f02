"""Reports in a real Chromium: nothing asked of the network, nothing too wide, nothing too faint, all by keyboard."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from wakeboard.results.records import RunRecord
from wakeboard.results.report import render_batch, render_board, render_run

pytestmark = pytest.mark.browser

OPEN_ALL = "document.querySelectorAll('details').forEach(d => d.open = true)"

MEASURE = (Path(__file__).parent / "measure.js").read_text(encoding="utf-8")
HEADINGS = "[...document.querySelectorAll('h1, h2, h3, h4')].map(h => +h.tagName[1])"


def measured(page: Any, *names: str) -> dict[str, list[str]]:
    """What measure.js finds wrong, by the name of the measurement."""
    page.evaluate(MEASURE)
    return {name: found for name in names if (found := page.evaluate(f"measure.{name}()"))}


@pytest.fixture(scope="module")
def pages(
    skep_runs: list[RunRecord], tripped_run: RunRecord, batch_runs: list[RunRecord], explanation: Mapping[str, Any]
) -> dict[str, str]:
    return {
        "run": render_run(skep_runs[3], explanation),
        "trip": render_run(tripped_run),
        "board": render_board("Skep", skep_runs, explain=explanation),
        "batch": render_batch("Skep", batch_runs),
    }


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("name", ["run", "trip", "board", "batch"])
def test_a_page_is_quiet_fits_and_can_be_read(
    name: str, width: int, dark: bool, pages: dict[str, str], open_page: Callable[..., Any]
) -> None:
    page = open_page(pages[name], width=width, dark=dark)
    assert [url.rsplit(":", 1)[0] for url in page.requests] == ["file"], "only the file itself is read"
    assert page.complaints == []
    assert page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches") is dark
    assert measured(page, "tooWide") == {}
    page.evaluate(OPEN_ALL)
    assert measured(page, "tooWide", "faintText", "faintMarks", "touching") == {}


def test_the_measurements_see_what_is_wrong(pages: dict[str, str], open_page: Callable[..., Any]) -> None:
    worse = {
        "tooWide": "main { width: 60rem }",
        "faintText": ".quiet { color: #bbb !important }",
        "faintMarks": ".plot .limit { stroke: #ddd !important }",
        "touching": ".unit-name { left: 50% !important; right: auto !important; font-size: 2rem !important }",
    }
    for name, rule in worse.items():
        page = open_page(pages["board"].replace("</style>", rule + "</style>"), width=390)
        assert set(measured(page, name)) == {name}


def test_the_themes_differ_and_print_is_always_light(pages: dict[str, str], open_page: Callable[..., Any]) -> None:
    colour = "getComputedStyle(document.body).color"
    light = open_page(pages["run"]).evaluate(colour)
    dark = open_page(pages["run"], dark=True).evaluate(colour)
    printed = open_page(pages["run"], dark=True, media="print").evaluate(colour)
    assert light != dark
    assert printed == light


@pytest.mark.parametrize("name", ["run", "board", "batch"])
def test_headings_and_landmarks_lead_through_a_page(
    name: str, pages: dict[str, str], open_page: Callable[..., Any]
) -> None:
    page = open_page(pages[name])
    levels = page.evaluate(HEADINGS)
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
    landmarks = "['header', 'nav', 'main', 'aside', 'footer'].map(t => document.querySelectorAll(t).length)"
    assert page.evaluate(landmarks) == [1, 1, 1, 1, 1]
    assert page.evaluate("document.documentElement.lang") == "en"
    assert measured(page, "unnamedSections") == {}


def test_the_keyboard_reaches_links_and_opens_depth(pages: dict[str, str], open_page: Callable[..., Any]) -> None:
    page = open_page(pages["run"])
    page.press("Tab", 9)
    assert page.evaluate("document.activeElement.className") == "skip"
    assert page.evaluate("document.activeElement.getBoundingClientRect().left") >= 0
    page.evaluate("document.querySelector('#steps').parentElement.querySelector('summary').focus()")
    assert page.evaluate("document.activeElement.tagName") == "SUMMARY"
    was = page.evaluate("document.activeElement.parentElement.open")
    page.evaluate("document.activeElement.click()")  # what Enter and Space do on a summary
    assert page.evaluate("document.activeElement.parentElement.open") is not was
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") != ""
    reach = "[...document.querySelectorAll('a, summary, .scroll')].filter(e => e.tabIndex < 0).length"
    assert page.evaluate(reach) == 0


def test_the_first_screen_has_the_cautions_and_what_to_do(pages: dict[str, str], open_page: Callable[..., Any]) -> None:
    top = "document.querySelector('#{}').getBoundingClientRect().top"
    for width in (390, 1280):  # 900 pixels high
        page = open_page(pages["run"], width=width)
        caution, do, outside = (page.evaluate(top.format(part)) for part in ("cautions", "do", "odd"))
        assert caution < do < 900
        assert do <= outside
    for part in ("odd", "why"):
        assert page.evaluate(top.format(part)) < 900


def test_without_scripts_nothing_is_missing_and_the_policy_forbids_them(
    pages: dict[str, str], open_page: Callable[..., Any], tmp_path: Path
) -> None:
    attacked = pages["run"].replace("</main>", "<script>document.title = 'owned'</script></main>")
    page = open_page(attacked)
    assert page.evaluate("document.title") != "owned"
    assert any("Content Security Policy" in text for text in page.complaints)
    page = open_page(pages["run"])
    page.screenshot(tmp_path / "run.png")
    assert (tmp_path / "run.png").stat().st_size > 20_000
