"""Files that somebody else wrote: bounded in time and memory, and nothing of other files is shown."""

from __future__ import annotations

import os
import resource
import signal
import sys

import pytest

from wakeboard.harness.cli import execute
from wakeboard.harness.describe.toml.document import DEEPEST, read, read_named, read_text


@pytest.mark.parametrize(
    "text",
    [
        ".".join("a" * 50_000) + " = 1",
        ".".join(['"a"'] * 30_000) + " = 1",
        "[" + " . ".join("a" * 50_000) + "]",
        "x = { " + ".".join("a" * 50_000) + " = 1 }",
    ],
)
def test_a_key_of_many_parts_is_refused_before_it_is_parsed(text):
    """tomllib takes 2 minutes and 6 GB for 50,000 parts: with 512 MB more than now it would die here."""
    before = resource.getrlimit(resource.RLIMIT_AS)
    with open("/proc/self/statm") as file:
        used = int(file.read().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (used + (512 << 20), before[1]))
    try:
        problems = read_text(text, "board.toml").problems
    finally:
        resource.setrlimit(resource.RLIMIT_AS, before)
    assert [problem.found for problem in problems] == [f"a key of more than {DEEPEST} parts"]


def test_dots_elsewhere_are_no_key():
    dots = "." * 500
    text = f"a = \"{dots}\" # {dots}\nb = '''\n{dots}\n'''\nc = [1.5, 2.5]\n" + "\n".join(
        f"k{i}.l.m = 1.5" for i in range(100)
    )
    assert read_text(text, "x.toml").problems == []


@pytest.mark.skipif(sys.platform == "win32", reason="pipes of POSIX systems")
def test_a_pipe_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "board.toml")

    def late(*_):
        raise AssertionError("it waits for the pipe")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(20)
    try:
        assert "no plain file" in read(tmp_path / "board.toml").problems[0].found
        assert execute(["check", str(tmp_path / "board.toml")]) == 2
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def test_a_folder_and_a_device_are_told(tmp_path):
    assert read(tmp_path).problems[0].found == "is a directory"
    assert "no plain file" in read(os.devnull).problems[0].found


@pytest.mark.parametrize("named", ["{secret}", "link.toml"])
def test_a_file_that_a_file_names_is_not_shown(named, tmp_path, capsys):
    """`board = "/etc/shadow"`, or a link to it beside a borrowed sequence."""
    secret = tmp_path / "shadow"
    secret.write_text("root:$y$secret\n")
    (tmp_path / "link.toml").symlink_to(secret)
    sequence = tmp_path / "sequence.toml"
    sequence.write_text(f'title = "x"\nboard = "{named.format(secret=secret)}"\n[[step]]\ndo = "power off"\n')
    assert execute(["check", str(sequence)]) == 2
    told = capsys.readouterr()
    assert "secret" not in told.out.replace(str(secret), "") + told.err
    assert read_named(tmp_path / "link.toml").problems[0].source == ""
    assert read(tmp_path / "link.toml").problems  # typed by a person: shown as ever


@pytest.mark.parametrize(
    "text",
    ['title = "a\\nPASS  unit b"', 'title = "\\u001b]52;c;x"', '["a\\nPASS"]\nb = 1', '[board]\nname = "\\u202eeman"'],
)
def test_names_that_write_lines_of_their_own_are_refused(text):
    problems = read_text(text, "x.toml").problems
    assert problems
    assert all("\n" not in str(each) and str(each).isprintable() for each in problems)
