"""Positions of keys against hand-counted files, and any bytes at all against the reader."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wakeboard import sequences
from wakeboard.harness.describe.toml.document import key_text, read, read_text
from wakeboard.harness.describe.toml.positions import line_of, positions

SEEDED = settings(derandomize=True, deadline=None)  # the same examples every time

EXAMPLE = """# a comment
title = "x"            # 2
[supplies.USB]         # 3
volts = "5 V"
'range'.low = 1        # 5
"quoted.\\u00b5" = 1   # 6

[parts]
R1 = { kind = "resistor", pins = ["A", # 9
   "B",                                # 10
], max = { power = "1 W" } }           # 11
text = \"\"\"
two "quotes" and [ a bracket
\"\"\"                                 # 14
more = '''
'x' ''''                               # 16
after = [[1, 2], [3,
4]]                                    # 18

[[step]]               # 20
do = "wait"
[[step]]               # 22
[step.inner]           # 23
x = 2000-01-01T00:00:00Z
[[step.many]]          # 25
y = 1
[[step.many]]          # 27
y.z = -1e3             # 28
"""


def test_lines_counted_by_hand():
    lines = positions(EXAMPLE)
    expected = {
        ("title",): 2,
        ("supplies", "USB"): 3,
        ("supplies", "USB", "volts"): 4,
        ("supplies", "USB", "range", "low"): 5,
        ("supplies", "USB", "quoted.µ"): 6,
        ("parts", "R1", "pins"): 9,
        ("parts", "R1", "pins", 1): 10,
        ("parts", "R1", "max", "power"): 11,
        ("parts", "text"): 12,
        ("parts", "more"): 15,
        ("parts", "after", 0, 1): 17,
        ("parts", "after", 1, 1): 18,
        ("step", 0, "do"): 21,
        ("step", 1): 22,
        ("step", 1, "inner", "x"): 24,
        ("step", 1, "many", 0, "y"): 26,
        ("step", 1, "many", 1): 27,
        ("step", 1, "many", 1, "y", "z"): 28,
    }
    assert {path: lines.get(path) for path in expected} == expected
    assert positions(EXAMPLE.replace("\n", "\r\n")) == lines


def paths(node, at=()):
    if at:
        yield at
    members = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in members:
        yield from paths(value, (*at, key))


def test_every_value_of_the_example_has_a_line():
    lines = positions(EXAMPLE)
    assert set(paths(tomllib.loads(EXAMPLE))) == set(lines)


@pytest.mark.parametrize("path", sorted(Path(sequences.__file__).parent.rglob("*.toml")), ids=lambda path: path.name)
def test_every_value_of_the_packaged_files_has_a_line(path):
    text = path.read_text(encoding="utf-8")
    assert set(paths(tomllib.loads(text))) == set(positions(text))


bare = st.text("ab1_-", min_size=1, max_size=3)
quoted = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=4)
strings = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=8)
values = st.recursive(
    st.integers(-9, 9) | st.booleans() | strings,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(bare | quoted, inner, max_size=3),
    max_leaves=8,
)


def basic(text):
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def write(value):
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{basic(key)} = {write(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[\n" + ",\n".join(map(write, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return basic(value) if isinstance(value, str) else str(value)


@SEEDED
@given(st.dictionaries(bare | quoted, values, max_size=5))
def test_every_path_that_tomllib_sees_has_a_line(tree):
    text = "".join(f"{basic(key)} = {write(value)}\n" for key, value in tree.items())
    data = tomllib.loads(text)
    lines = positions(text)
    assert set(paths(data)) == set(lines)
    assert all(1 <= line <= text.count("\n") for line in lines.values())


def test_a_missing_key_is_told_at_its_table():
    lines = positions(EXAMPLE)
    assert line_of(lines, ("supplies", "USB", "net")) == 3
    assert line_of(lines, ("nothing",)) == 1


def test_paths_as_a_person_writes_them():
    assert key_text(("step", 2, "limit")) == "step[3].limit"
    assert key_text(("rails", "V", "on_when", "U1.GPIO12")) == 'rails.V.on_when."U1.GPIO12"'


@pytest.mark.parametrize(
    ("text", "line", "found"),
    [
        ("a = 1\na = 2\n", 2, "a is written twice"),
        ("[t]\nx = 1\n[t]\n", 3, "t is written twice"),
        ("\nvolts = 5 V\n", 2, "'V' after a value"),
        ("a = \n", 1, "invalid value"),
        ("[[step]\n", 1, "missing ]"),
        ("a = 'x\n", 1, "missing '"),
        ("x = [1,\n2", 1, "missing ] of x"),
        ("x = " + "[" * 20000, 1, "nested"),
        ("x = " + "9" * 20000, 1, ""),
    ],
)
def test_what_is_not_toml_is_one_problem_with_its_line(text, line, found):
    document = read_text(text, "f.toml")
    assert not document.readable
    (problem,) = document.problems
    assert (problem.file, problem.line) == ("f.toml", line)
    assert found in problem.found


def test_files_that_cannot_be_read(tmp_path):
    (tmp_path / "latin.toml").write_bytes(b'a = 1\nb = "\xb5F"\n')
    (problem,) = read(tmp_path / "latin.toml").problems
    assert (problem.line, problem.found, problem.allowed) == (2, "the byte 0xb5", "text in UTF-8")
    for path in (tmp_path, tmp_path / "absent.toml", tmp_path / "a\0b"):
        (problem,) = read(path).problems
        assert problem.allowed == "a file that can be read"
    (tmp_path / "huge.toml").write_bytes(b"#" * 4_000_001)
    assert read(tmp_path / "huge.toml").problems[0].found == "a very large file"


def test_a_byte_order_mark_is_no_mistake(tmp_path):
    (tmp_path / "bom.toml").write_bytes(b"\xef\xbb\xbfa = 1\r\n")
    assert read(tmp_path / "bom.toml").data == {"a": 1}


@SEEDED
@given(st.binary(max_size=200))
def test_any_bytes_are_read_without_an_exception(tmp_path_factory, raw):
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_bytes(raw)
    document = read(path)
    assert document.readable != bool(document.problems)


@SEEDED
@given(st.text(st.sampled_from("[]{}=.,'\"#\\ \n\tab1_-"), max_size=60))
def test_anything_made_of_toml_signs(text):
    document = read_text(text, "f")
    if document.readable:
        assert {path for path in paths(document.data) if len(path) == 1} <= {path[:1] for path in document.lines}
