"""The walls inside the house: between the rooms of harness, no cycles, nothing private reached into, no name twice.

Read from the source with ast, imports for types alone included. What still breaks a wall stands here by name, each with
its reason: such a list may become shorter, and a test sees to it that nothing on it is out of date.
"""

from __future__ import annotations

import ast
import functools
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

import wakeboard.harness
from wakeboard.harness.describe.sequence.steps import step_kinds

ROOT = Path(wakeboard.harness.__file__).parent.parent
FLOORS = ("harness", "instruments", "results")

# a room may import those of a lower number, and itself
ROOMS = {
    "describe": 0, "run": 1, "review": 2, "drawings": 3, "rehearse": 3, "explain": 3, "revise": 4, "page": 5, "demo": 5,
    "cli": 6, "script": 6, "door": 7, "pytest_plugin": 7,
}  # fmt: skip

# the same inside two rooms that have rooms of their own; what stands beside these may be imported by all
INNER = {
    "harness.run": {"guard": 0, "programs": 0, "hand": 1, "bench": 2, "services": 3, "fitness": 4, "steps": 5},
    "harness.explain": {"evidence": 0, "rank": 1, "naming": 2, "unit": 2, "lines": 3, "choose": 3, "ask": 4},
}
MOST_FILES = 15  # of a room that is no shelf of one file a kind, its door not counted
SHELVES = {
    "harness.cli", "harness.review.rules", "harness.run.steps", "instruments.virtual.circuit.parts",
}  # fmt: skip

# A part compiles itself, its kind draws elements, the model solves them: names of types go round in the circuit's core.
KNOT = "instruments.virtual.circuit"
CORE = {
    f"{KNOT}.{name}"
    for name in (
        "draft", "faults.effects", "kind", "model", "part", "parts", "solver.newton",
        "solver.points", "solver.ratings", "solver.stability", "solver.structure", "solver.topology",
        "solver.transient", "tolerance",
    )
}  # fmt: skip

# A study keeps what it found out about its rails, and that is asked of the study.
STUDY = {"harness.review.study.rails", "harness.review.study.study", "harness.review.study.supplied"}
# A unit is weighed beside the board's other units, which are cases themselves.
UNITS = {"harness.explain.unit.cases", "harness.explain.unit.units"}
# pytest looks for hooks and fixtures in the plug-in's own module, and what it collects asks the plug-in for its seat.
PLUGIN = {"harness.pytest_plugin", "harness.pytest_plugin.places", "harness.pytest_plugin.steps"}

# The store knows from its own kinds of failure which are the asker's; a run's own code is asked for by two commands.
SPEAK_OF_EXIT_CODES = {"results.store.errors", "harness.run.session"}

MOST_IN_ORDER = 10  # values that a call gives without their names

# It tells its own probe from the person's next step.
KNOWS_ITS_OWN_STEP = {"harness.explain.ask.inquiry: step.do != 'probe'"}

# Each is a word of its own trade in both places; renaming one would make it harder to guess.
TWICE = {
    "harness": {
        "Answer",  # of a board's firmware; of a production check
        "Case",  # a state of a design; a unit on its run
        "Common",  # options of a command; what units share
        "Entry",  # of the table of commands; of a part book
        "Line",  # of a board; of a shop floor's display
        "Plan",  # of a revision; of work for many machines
        "Point", "Supply",  # of a board file; what a test of a person's own gets for them
        "Model",  # every step kind's
        "Probing",  # a bench file's table; how the leads get to a net
        "Rail", "Thresholds",  # of a board file; of the line analysis, which needs no board
        "Source",  # Thevenin's; a reader's
        "Taken",  # measurements of two askers
    },
    "instruments": {
        "Accuracy", "Quantity", "Register", "Table",  # of a dialect; of a virtual instrument or a part kind
        "Block", "Model", "Plan", "Probe",  # of the solver; of a netlist's text, of a meter
    },
    "results": set(),
}  # fmt: skip

# The model's own helpers hand a solved batch over to Points before anybody else sees it.
REACH_INSIDE = {f"{KNOT}.model", f"{KNOT}.spice.write"}


@functools.cache
def modules() -> dict[str, Path]:
    found = {}
    for floor in FLOORS:
        for path in (ROOT / floor).rglob("*.py"):
            found[".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")] = path
    return found


@functools.cache
def tree(module: str) -> ast.Module:
    return ast.parse(modules()[module].read_text(encoding="utf-8"))


@functools.cache
def imports(module: str) -> frozenset[str]:
    """Modules of the house that a module imports, anywhere in it."""
    return frozenset(name for name in _imports(module) if name in modules() and name != module)


def _imports(module: str) -> Iterator[str]:
    package = modules()[module].relative_to(ROOT).parent.parts
    for node in ast.walk(tree(module)):
        if isinstance(node, ast.Import):
            yield from (alias.name.removeprefix("wakeboard.") for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            where = ".".join([*base, *([node.module] if node.module else [])]).removeprefix("wakeboard.")
            for alias in node.names:
                inner = f"{where}.{alias.name}"
                yield inner if inner in modules() else where


def room(module: str) -> str:
    """The folder of harness that it is in; "" for what stands beside the rooms, which all may use."""
    words = module.split(".")
    return words[1] if words[0] == "harness" and len(words) > 1 and (ROOT / "harness" / words[1]).is_dir() else ""


def test_every_room_has_its_place() -> None:
    assert {room(module) for module in modules()} - {""} == set(ROOMS) & {room(module) for module in modules()}


def test_rooms_import_downwards() -> None:
    wrong = [
        f"{module} imports {other}"
        for module in modules()
        for other in imports(module)
        if room(module) and room(other) and room(module) != room(other)
        and ROOMS[room(other)] >= ROOMS[room(module)]
    ]  # fmt: skip
    assert sorted(wrong) == []


@pytest.mark.parametrize("outer", INNER)
def test_rooms_inside_a_room_import_downwards(outer: str) -> None:
    floor = {f"{outer}.{name}": number for name, number in INNER[outer].items()}
    inside = {path.name for path in (ROOT / outer.replace(".", "/")).iterdir() if (path / "__init__.py").is_file()}
    assert inside == set(INNER[outer])

    def level(module: str) -> int | None:
        return next((number for name, number in floor.items() if f"{module}.".startswith(f"{name}.")), None)

    wrong = [
        f"{module} imports {other}"
        for module in modules()
        for other in imports(module)
        if (here := level(module)) is not None and (there := level(other)) is not None
        and there >= here and module.split(".")[:3] != other.split(".")[:3]
    ]  # fmt: skip
    assert sorted(wrong) == []


def test_a_room_can_be_looked_over() -> None:
    files = defaultdict(set)
    for module, path in modules().items():
        if path.name != "__init__.py":
            files[module.rpartition(".")[0]].add(module)
    large = {room: len(found) for room, found in files.items() if len(found) > MOST_FILES and room not in SHELVES}
    assert large == {}


def test_no_import_goes_round() -> None:
    """Type-only imports and those inside functions count: who must read one must not have to read the other first."""
    assert sorted(map(sorted, _cycles())) == sorted(
        map(sorted, [CORE, STUDY, UNITS, PLUGIN])
    )  # the known ones, exactly


def _cycles() -> list[set[str]]:
    """Strongly connected modules, by Tarjan's algorithm (SIAM J. Comput. 1, 1972)."""
    number: dict[str, int] = {}
    lowest: dict[str, int] = {}
    stack: list[str] = []
    found: list[set[str]] = []

    def visit(module: str) -> None:
        number[module] = lowest[module] = len(number)
        stack.append(module)
        for other in sorted(imports(module)):
            if other not in number:
                visit(other)
                lowest[module] = min(lowest[module], lowest[other])
            elif other in stack:
                lowest[module] = min(lowest[module], number[other])
        if lowest[module] == number[module]:
            place = stack.index(module)
            if len(stack) - place > 1:
                found.append(set(stack[place:]))
            del stack[place:]

    for module in sorted(modules()):
        if module not in number:
            visit(module)
    return found


def test_nobody_reaches_into_anothers_private_parts() -> None:
    wrong = {module: lines for module in modules() if (lines := list(_private(module)))}
    assert {module: lines for module, lines in wrong.items() if module not in REACH_INSIDE} == {}
    assert set(wrong) == REACH_INSIDE


def _private(module: str) -> Iterator[str]:
    own = _own_names(module)
    for node in ast.walk(tree(module)):
        if isinstance(node, ast.Attribute) and node.attr[0] == "_" and node.attr[:2] != "__":
            mine = isinstance(node.value, ast.Name) and node.value.id in ("self", "cls")
            if not mine and node.attr not in own and node.attr not in ("_asdict", "_replace", "_fields", "_exit"):
                yield f"line {node.lineno}: {ast.unparse(node)}"
        elif isinstance(node, ast.ImportFrom):
            for alias in node.names:
                if alias.name[0] == "_" and alias.name[:2] != "__" and not _is_module(module, node, alias.name):
                    yield f"line {node.lineno}: {alias.name}"


def _is_module(module: str, node: ast.ImportFrom, name: str) -> bool:
    return any(other.endswith(f".{name}") for other in imports(module)) and node.module is not None


def _own_names(module: str) -> set[str]:
    """What the module itself calls so: its functions and classes, and attributes that its own classes have."""
    own = set()
    for node in ast.walk(tree(module)):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
            own.add(node.name)
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in ("self", "cls"):
            own.add(node.attr)
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            own.add(node.id)
    return own


@pytest.mark.parametrize("floor", FLOORS)
def test_a_public_class_has_a_name_of_its_own(floor: str) -> None:
    where = defaultdict(list)
    for module in modules():
        if module.split(".")[0] == floor:
            for node in tree(module).body:
                if isinstance(node, ast.ClassDef) and node.name[0] != "_":
                    where[node.name].append(module)
    twice = {name for name, places in where.items() if len(places) > 1}
    assert twice - TWICE[floor] == set()
    assert TWICE[floor] - twice == set(), "these are no longer there twice: take them off the list"


def test_what_a_step_kind_is_asked_for_stands_in_its_own_file() -> None:
    """No other module of harness asks whether a step is of a kind, or keeps a table of kinds: it asks the kind's Needs,
    TELLS or FAILED. Making a step by name is as good as a sequence file. (Records are data: results reads their words.)
    """
    kinds = set(step_kinds())
    wrong = {
        f"{module}: {ast.unparse(node)}"
        for module in modules()
        if module.startswith("harness.") and not module.startswith("harness.run.steps")
        for node in ast.walk(tree(module))
        if _asks_for_a_kind(node, kinds)
    }
    assert wrong == KNOWS_ITS_OWN_STEP


def _asks_for_a_kind(node: ast.AST, kinds: set[str]) -> bool:
    if isinstance(node, ast.Dict):
        return len(kinds & {key.value for key in node.keys if isinstance(key, ast.Constant)}) > 1
    if not isinstance(node, ast.Compare):
        return False
    sides = [node.left, *node.comparators]
    words = {each.value for side in sides for each in ast.walk(side) if isinstance(each, ast.Constant)}
    of_step = any(
        isinstance(each, ast.Attribute) and each.attr in ("kind", "do", "name") and "step" in ast.unparse(each.value)
        for each in sides
    )
    return of_step and bool(kinds & words)


@pytest.mark.parametrize("wrong", [
    "step.kind == 'volts'", "self.step.do in ('line', 'drive')", "{'rails': 1, 'volts': 2}",
    "step_kinds()[model.do].name == 'power on'",
])  # fmt: skip
def test_the_reader_of_step_kinds_sees_them(wrong: str) -> None:
    assert any(_asks_for_a_kind(node, set(step_kinds())) for node in ast.walk(ast.parse(wrong)))


def test_what_is_made_of_many_values_names_them() -> None:
    """More than so many in a row, and two of them change places unseen. The solver hands arrays to compiled code, which
    takes them by place only; columns of a table and of a query stand in order."""
    wrong = {
        f"{module}: {ast.unparse(node.func)}"
        for module in modules()
        if not module.startswith(KNOT)
        for node in ast.walk(tree(module))
        if isinstance(node, ast.Call) and len(node.args) > MOST_IN_ORDER
    }
    assert {each for each in wrong if ": sa." not in each} == set()


def test_only_the_command_line_speaks_to_a_shell() -> None:
    """click, and numbers that a shell sees."""
    clicks, codes = [], set()
    for module, path in modules().items():
        if room(module) == "cli":
            continue
        text = path.read_text(encoding="utf-8")
        if any(name == "click" or name.startswith("click.") for name in _imports(module)):
            clicks.append(module)
        if "exit_code" in text:
            codes.add(module)
    assert clicks == []
    assert codes == SPEAK_OF_EXIT_CODES
