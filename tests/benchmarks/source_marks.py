"""Which number checks of the tests say where their figure is from: beside the check, in the file's head, or nowhere.

    python tests/benchmarks/source_marks.py

A crude count, by words: a check is a test function that holds something against a decimal number or an approximation;
a mark is the name of a source, "from memory", "common practice, no source", or whose figures they are. No test of the
suite, since a source in other words than these would be called missing.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

MARK = re.compile(
    r"common practice|from memory|no source|no fact|estimate|by hand|closed form|worked|figures? (?:are|is|here)|"
    r"invented|JESD|UM10204|IEC|ISO|IEEE|IPC|USB|JCGM|GUM|ILAC|NIST|SCPI|IVI|SPICE|scipy|numpy|data sheet|manual|guide|"
    r"handbook|textbook|table|section|RFC|POSIX|ASTM|Ohm|Kirchhoff|Thevenin|Bayes|measured|definition|formula|source|"
    r"test's own|tool's own|guard's own",
    re.IGNORECASE,
)
NUMBER = re.compile(r"approx\(|isclose|allclose|[=<>]=?\s*-?\d+\.\d+|-?\d+\.\d+\s*[<>]=?")


def checks() -> Iterator[tuple[Path, int, str, bool, bool]]:
    """(file, line, name, marked beside, marked in the head) of every test function with a number check."""
    for file in sorted(Path(__file__).parent.parent.rglob("test_*.py")):
        text = file.read_text(encoding="utf-8")
        lines, tree = text.splitlines(), ast.parse(text)
        comments = [line for line in lines[:40] if line.lstrip().startswith("#")]
        head = bool(MARK.search((ast.get_docstring(tree) or "") + "\n".join(comments)))
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                body = _body(lines, node)
                asserted = "\n".join(line for line in body if re.search("assert|approx|allclose", line))
                if NUMBER.search(asserted):
                    yield file, node.lineno, node.name, bool(MARK.search("\n".join(body))), head


def _body(lines: list[str], node: ast.FunctionDef) -> list[str]:
    """The function's lines, with the comments and decorators above it."""
    start = node.lineno - 1
    while start > 0 and lines[start - 1].lstrip().startswith(("#", "@")):
        start -= 1
    return lines[start : node.end_lineno]


def main() -> None:
    found = list(checks())
    beside = sum(mark for *_, mark, _ in found)
    none = [each for each in found if not each[3] and not each[4]]
    print(
        f"{len(found)} checks: {beside} marked beside, {len(found) - beside - len(none)} by the head, {len(none)} not"
    )
    for file, line, name, *_ in none:
        print(f"  {file}:{line} {name}")


if __name__ == "__main__":
    main()
