"""The house: imports go down only. Read from the source with ast, so that no import hides inside a function."""

import ast
import tomllib
from pathlib import Path

import pytest

import wakeboard.harness

ROOT = Path(wakeboard.harness.__file__).parent.parent
FLOORS = ("harness", "instruments", "results", "sequences")

# what each floor may import of the house; the rest is refused
MAY = {
    "harness": {"harness", "instruments", "results", "sequences"},
    "results": {"results"},
    "instruments": {"instruments"},
    "sequences": set(),
}
DOOR = Path("harness/door")  # installed as `wakeboard` itself
CIRCUIT = "instruments/virtual/circuit"
CIRCUIT_MAY = {"numpy", "scipy", "numba", "platformdirs", "instruments"}
STANDARD = set(__import__("sys").stdlib_module_names)


def sources(folder):
    return sorted((ROOT / folder).rglob("*.py"))


def imports(path):
    """Every module that a file imports, relative ones resolved; without the name that the house is installed by."""
    for module in _imports(path):
        yield module.removeprefix("wakeboard.")


def _imports(path):
    package = path.relative_to(ROOT).parent.parts
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            module = ".".join([*base, *([node.module] if node.module else [])])
            yield from (f"{module}.{alias.name}" for alias in node.names)


def within(module, package):
    return module == package or module.startswith(package + ".")


@pytest.mark.parametrize("floor", FLOORS)
def test_imports_go_down_only(floor):
    wrong = [
        f"{path.relative_to(ROOT)} imports {module}"
        for path in sources(floor)
        for module in imports(path)
        if module.split(".")[0] in FLOORS and module.split(".")[0] not in MAY[floor]
    ]
    assert wrong == []


def test_the_ground_floor_knows_only_numbers():
    """Parts and solver: numpy, scipy, the compiler and where it keeps its work, the standard library, and the door for
    quantities."""
    wrong = []
    for path in sources(CIRCUIT):
        for module in imports(path):
            top = module.split(".")[0]
            own = within(module, "instruments.virtual.circuit") or within(module, "instruments.quantity")
            if (top == "instruments" and not own) or (top not in CIRCUIT_MAY and top not in STANDARD):
                wrong.append(f"{path.relative_to(ROOT)} imports {module}")
    assert wrong == []


def test_drivers_know_no_virtual_bench():
    """A driver must not know whether the instrument is real."""
    drivers = [path for path in sources("instruments") if "virtual" not in path.relative_to(ROOT).parts]
    wrong = [
        f"{path.relative_to(ROOT)} imports {module}"
        for path in drivers
        for module in imports(path)
        if within(module, "instruments.virtual")
    ]
    assert wrong == []


def test_sequences_hold_data_only():
    """Its folders are packages, so that their data is found when installed; they hold no code."""
    for path in sources("sequences"):
        assert path.name == "__init__.py"
        statements = ast.parse(path.read_text(encoding="utf-8")).body
        assert [type(node) for node in statements] in ([], [ast.Expr]), path


def test_the_reader_of_imports_sees_what_hides(tmp_path):
    """The rule is only as good as its reader: imports in functions, and relative ones, are seen."""
    here = ROOT / "instruments" / "virtual" / "seen.py"
    tree = "def f():\n    import wakeboard.results.store\nfrom ..link import Link\nfrom . import psu\n"

    class Here(type(here)):
        def read_text(self, *_args, **_more):
            return tree

    assert set(imports(Here(here))) == {
        "results.store",
        "instruments.link.Link",
        "instruments.virtual.psu",
    }


def test_nothing_else_at_the_root():
    packages = {path.parent.name for path in ROOT.glob("*/__init__.py")}
    assert packages - {"tests"} == set(FLOORS)


def test_every_folder_with_code_is_installed():
    """The build takes the packages that pyproject.toml lists: none is forgotten, none listed that is gone."""
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["packages"]
    folders = {path.parent.relative_to(ROOT) for floor in FLOORS for path in sources(floor)} - {DOOR}
    assert sorted(listed) == sorted(["wakeboard", *(".".join(("wakeboard", *folder.parts)) for folder in folders)])


def test_data_files_travel_with_the_packages():
    """What is not in a package, or not named as its data, is missing after an install."""
    import fnmatch
    import tomllib

    project = ROOT / "pyproject.toml"
    if not project.is_file():
        pytest.skip("installed: there is no pyproject.toml to hold the data against")
    patterns = tomllib.loads(project.read_text(encoding="utf-8"))["tool"]["setuptools"]["package-data"]["*"]
    lost = []
    for floor in FLOORS:
        for path in (ROOT / floor).rglob("*"):
            if path.is_dir() or path.suffix in (".py", ".pyc"):
                continue
            if not (path.parent / "__init__.py").is_file() or not any(fnmatch.fnmatch(path.name, p) for p in patterns):
                lost.append(str(path.relative_to(ROOT)))
    assert lost == []
