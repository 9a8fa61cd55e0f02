"""What goes into the source archive besides the packages: the tests, and what contributors read. For the build only."""

from __future__ import annotations

from setuptools.command.sdist import sdist

ALONG = ("tests", ".ci")
FILES = ("DEVELOPERS.md", ".gitignore")


class SourceArchive(sdist):  # type: ignore[misc]
    """setuptools' own, with the tests: whoever packs the program for others runs them."""

    def make_distribution(self) -> None:
        for folder in ALONG:
            self.filelist.graft(folder)
        for file in FILES:
            self.filelist.include(file)
        for waste in ("*.pyc", "*.pyo", "*.db"):
            self.filelist.global_exclude(waste)
        super().make_distribution()
