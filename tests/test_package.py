"""What is packed: the source archive with its tests, the wheel with its licence, links that hold on an index."""

import re
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def packed(tmp_path_factory):
    """The folder of the two archives, built from a copy of the tree."""
    copy = tmp_path_factory.mktemp("tree") / "wakeboard"
    left = shutil.ignore_patterns(".venv*", ".git", ".types", "*_cache", "__pycache__", "build", "dist", "*.egg-info")
    shutil.copytree(ROOT, copy, ignore=left)
    code = "from setuptools import build_meta as b; b.build_sdist('out'); b.build_wheel('out')"
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, cwd=copy, capture_output=True, text=True, timeout=110, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    return copy / "out"


def test_the_source_archive_has_the_tests_and_what_contributors_read(packed):
    [archive] = packed.glob("*.tar.gz")
    with tarfile.open(archive) as opened:
        names = {name.partition("/")[2] for name in opened.getnames()}
    wanted = {str(file.relative_to(ROOT)) for file in (ROOT / "tests").rglob("*") if file.suffix in (".py", ".csv")}
    assert {"DEVELOPERS.md", "LICENSE", "README.md", ".ci/package", ".ci/run", ".ci/types", "pyproject.toml"} <= names
    assert wanted - names == set()
    assert not [name for name in names if name.endswith(".pyc")]


def test_the_wheel_says_its_licence_and_lists_what_a_plain_install_needs(packed):
    [wheel] = packed.glob("*.whl")
    with zipfile.ZipFile(wheel) as opened:
        [meta] = [name for name in opened.namelist() if name.endswith("METADATA")]
        text = opened.read(meta).decode()
    assert "License-Expression: MIT" in text
    needs = [line for line in text.splitlines() if line.startswith("Requires-Dist") and "extra ==" not in line]
    for heavy in ("statsmodels", "pyarrow", "psycopg", "uncertainties"):
        assert not any(heavy in line for line in needs)


def test_no_link_of_the_readme_depends_on_where_it_is_shown():
    links = re.findall(r"\]\(([^)]+)\)", (ROOT / "README.md").read_text(encoding="utf-8"))
    assert [link for link in links if not re.match(r"https?://|#", link)] == []
