"""`wakeboard virtual --host` for everybody says so; this computer's own addresses say nothing."""

import pytest

from wakeboard.harness.cli import virtual


@pytest.mark.parametrize(
    ("host", "everybody"),
    [("0.0.0.0", True), ("", True), ("::", True), ("192.0.2.1", True), ("127.0.0.1", False), ("localhost", False)],
)
def test_who_reaches_it(host, everybody):
    assert virtual._is_open(host) is everybody


def test_it_is_told(tmp_path, monkeypatch, capsys):
    from wakeboard.harness.cli import execute

    monkeypatch.chdir(tmp_path)
    assert execute(["virtual", "no-board.toml", "--host", "0.0.0.0"]) == 2
    assert "every computer that reaches this one" in capsys.readouterr().err
    assert execute(["virtual", "no-board.toml"]) == 2
    assert "every computer" not in capsys.readouterr().err
