"""Patterns on what a board says are bounded in time. Catastrophic backtracking: the textbook cases (Friedl, ch. 6)."""

import re
import time

import pytest

from wakeboard.instruments.patterns import BadPattern, PatternTooSlow, compiled, search

BOMBS = [(r"(a+)+b", "a" * 5000), (r"(a|aa)+$", "a" * 5000 + "!"), (r"(\w+\s?)*[!?]", "word " * 2000 + ".")]


@pytest.mark.parametrize(("pattern", "text"), BOMBS)
def test_a_pattern_that_would_not_end(pattern, text):
    """With `re` the first takes longer than the age of the universe; the bound is in processor time."""
    began = time.process_time()
    with pytest.raises(PatternTooSlow, match="repeats within repeats"):
        search(compiled(pattern), text)
    assert time.process_time() - began < 10


@pytest.mark.parametrize("pattern", ["(", "a{9999999}", "(?P<a>x)(?P<a>y)", "x" * 3000, "((a{1000}){1000}){1000}"])
def test_what_is_no_pattern_or_could_not_be_bounded(pattern):
    with pytest.raises(BadPattern):
        compiled(pattern)


@pytest.mark.parametrize(
    ("pattern", "text"),
    [
        (r"climate (?P<celsius>[\d.]+) C (?P<humidity>[\d.]+) %", "> climate 21.5 C 40 %\n"),
        (r"(?i)READY", "toy ready"),
        (r"^ok$", "x\nok\n"),
        (r"(?m)^ok$", "x\nok\n"),
        (r"a.b", "a\nb"),
        (r"\bv(\d+)\.(\d+)", "version v1.25"),
    ],
)
@pytest.mark.filterwarnings("ignore:Possible set:FutureWarning")
def test_as_python_matches(pattern, text):
    """The same answers as Python's own `re`, which people know."""
    expected, found = re.search(pattern, text), search(compiled(pattern), text)
    assert (found is None) == (expected is None)
    if expected is not None:
        assert (found[0], found.groupdict()) == (expected[0], expected.groupdict())
