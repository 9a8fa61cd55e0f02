"""An instrument that no dialect knows is asked what only reads; what it answers begins a dialect that works."""

from __future__ import annotations

import re
import time
import tomllib
from pathlib import Path
from typing import Any

import pytest

import wakeboard.instruments
from wakeboard.harness.cli import execute
from wakeboard.instruments import dialect_tables as tables
from wakeboard.instruments.dialect import PsuDialect, dialect_names, load_dialect, read_text
from wakeboard.instruments.errors import DialectError, LinkError
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.scpi.psu import Psu
from wakeboard.instruments.scpi.unknown import beginning, harmless, introduce, look, questions_of

WHO = "Invented Works,IW-305,000123,1.2"
REPLIES = {"*IDN?": WHO, "*IDN?;*OPC?": f"{WHO};1", "VOLT?": "5.000",
           "CURR?": "0.100", "OUTP?": "0", "MEAS:VOLT?": "0.001", "MEAS:CURR?": "0.000", "VOLT? MAX": "30.000",
           "VOLT:PROT?": "\x1b[2J<b>never"}  # fmt: skip


class Unknown:
    """A supply with one output and an error queue; keeps what it was told."""

    def __init__(self) -> None:
        self.queue: list[str] = ['-100,"left from before"']
        self.told: list[str] = []

    def __call__(self, session: Any, line: str) -> None:
        self.told.append(line)
        if line == "SYST:ERR?":
            session.say((self.queue.pop(0) if self.queue else '0,"No error"') + "\n")
        elif line in REPLIES:
            session.say(REPLIES[line] + "\n")
        else:
            self.queue.append(f'-113,"Undefined header; {line[:10]}"')


@pytest.mark.timeout(240)
def test_what_it_answers_begins_a_dialect(
    serve: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any
) -> None:
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path / "locks"))
    monkeypatch.setattr("wakeboard.instruments.scpi.unknown.PATIENCE", 0.1)
    monkeypatch.chdir(tmp_path)
    unknown = Unknown()
    address = serve(unknown).address
    assert execute(["bench", "--probe", address]) == 0
    said = capsys.readouterr().out
    assert "wrote invented-works-iw-305.toml" in said
    assert "-113" in said
    assert "\x1b[2J" not in said
    assert all("?" in line for line in unknown.told)
    text = (tmp_path / "invented-works-iw-305.toml").read_text()
    raw = tomllib.loads(text)
    assert re.search(raw["idn"][0], REPLIES["*IDN?"])
    assert raw["ask"]["volts"] == "VOLT?"
    assert raw["channels"] == {"1": {"volts": 30.0}}
    assert set(raw["unverified"]) >= {"say", "status", "can"}
    made = load_dialect(str(tmp_path / "invented-works-iw-305.toml"))
    assert made.kind == "psu"
    assert made.ask.ovp is None  # what it answered there is no number
    assert made.doubted("status.flags")
    assert execute(["bench", "--probe", address]) == 2  # never over a file that is there
    assert (tmp_path / "invented-works-iw-305.toml").read_text() == text


def test_no_question_of_any_dialect_does_more_than_read() -> None:
    for name in dialect_names():
        dialect = load_dialect(name)
        for key, question in questions_of(dialect):
            line = question.send.format(**tables.SAMPLE)
            assert (
                harmless(line, dialect.kind)
                or "?" not in line
                or re.search("(?i)meas|read|fetc|cal|diag|trig|aer|inr", line)
            ), (
                name,
                key,
            )
    for line in ("READ?", "MEAS:VOLT?", "*TST?", "CAL?", "VOLT 5", "VOLT?;OUTP ON", ":INIT?", "*RST", "FETC?"):
        assert not harmless(line, "dmm"), line
    assert harmless("MEAS:VOLT?", "psu")


@pytest.mark.timeout(400)
def test_a_dialect_that_was_begun_so_takes_a_unit_through_a_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The virtual supply is asked, the file laid beside the bench file, and a board powered with it, end to end."""
    import runpy

    from wakeboard.harness.cli.virtual import bench_toml
    from wakeboard.harness.describe.load import load_bench, load_sequence
    from wakeboard.harness.run.bench.virtual import virtual_bench
    from wakeboard.harness.run.session import take_unit
    from wakeboard.instruments.virtual.wire.server import running

    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path / "locks"))
    monkeypatch.setattr("wakeboard.instruments.scpi.unknown.PATIENCE", 0.25)  # some hundred questions get no answer
    toy = runpy.run_path(str(Path(__file__).parents[1] / "run" / "toy.py"))
    (tmp_path / "board.toml").write_text(toy["BOARD"])
    steps = toy["SEQUENCE"].split('[[step]]\ndo = "line"')[0] + '[[step]]\ndo = "power off"\n'
    (tmp_path / "sequence.toml").write_text(steps)
    sequence = load_sequence(tmp_path / "sequence.toml")
    bench = virtual_bench(sequence.board, unit="T-1", transients=False)
    with running(bench) as addresses:
        found_by = {}
        for name in ("supply", "meter", "scanner"):
            with introduce(addresses.instruments[name]) as link:
                found = look(link)
            text = beginning(found)
            assert read_text(text, name).kind == found.kind
            found_by[name] = found.kind
            (tmp_path / f"my-{name}.toml").write_text(text)
        assert found_by == {"supply": "psu", "meter": "dmm", "scanner": "scanner"}
        described = bench.bench_description(addresses.instruments)
        described["instruments"]["supply"]["dialect"] = "my-supply.toml"
        text = re.sub(
            r'^(calibrated|due) = "(.*)"', r"\1 = \2", bench_toml("Toy", "T-1", described), flags=re.MULTILINE
        )
        (tmp_path / "bench.toml").write_text(text)
        loaded = load_bench(tmp_path / "bench.toml", sequence.board)
        result = take_unit(sequence, unit="T-1", described=loaded, energise=True)
    assert result.outcome == "pass", result.record.says
    assert result.off.confirmed
    assert [each.dialect for each in result.record.start.instruments if each.kind == "psu"] == [
        str(tmp_path / "my-supply.toml")
    ]


def test_a_refused_command_is_named(serve: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from wakeboard.instruments.errors import InstrumentFault
    from wakeboard.instruments.scpi.opening import open_psu

    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path / "locks"))
    own = "kind = 'psu'\ntitle = 'x'\nbased_on = 'scpi-psu'\n"
    own += "[link]\nchecked = false\ncompound = false\npower_on = false\n"
    (tmp_path / "own.toml").write_text(own + "[channels.1]\nvolts = 30\namps = 5\n")
    psu = open_psu(serve(Unknown()).address, name="supply", dialect=str(tmp_path / "own.toml"))
    with pytest.raises(InstrumentFault, match=r"-113.*'.*CURR 0\.1"):
        psu.set("1", 5.0, 0.1)
    psu.close()


def test_every_key_is_on_the_page() -> None:
    page = (Path(wakeboard.instruments.__file__).parent / "drivers.md").read_text(encoding="utf-8")
    keys = page[page.index("### The keys") : page.index("## What is verified")]
    words = set(re.findall(r"\w+", keys))
    models = [each for each in vars(tables).values() if isinstance(each, type) and issubclass(each, tables.Table)]
    missing = {name for model in models for name in model.model_fields} - words
    assert missing == set()


# --- what answers oddly ----------------------------------------------------------------------------------------------
def introduced(serve: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, answers: Any) -> str:
    """Why it is not probed."""
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path / "locks"))
    monkeypatch.setattr("wakeboard.instruments.scpi.unknown.PATIENCE", 0.1)
    with pytest.raises(LinkError) as error:
        introduce(serve(answers).address)
    return str(error.value)


def test_noise_is_told_as_what_came_and_not_as_silence(
    serve: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    says = introduced(serve, tmp_path, monkeypatch, lambda session, _line: session.say("\xe4\xff\x90\xb1%\n"))
    assert "does not say who it is" in says or "no text" in says, says
    assert "after '*IDN?'" in says
    assert "no reply in time" not in says


def test_one_that_answers_late_is_told_how_late(serve: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def late(session: Any, line: str) -> None:
        time.sleep(0.6)
        session.say(f"{WHO}\n" if line == "*IDN?" else "\n")

    says = introduced(serve, tmp_path, monkeypatch, late)
    assert re.search(r"it says who it is after \d+\.\d s only: too slow", says), says


def test_nobody_is_told_as_silence(serve: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("wakeboard.instruments.scpi.unknown.SLOW", 0.3)
    assert "no reply in time" in introduced(serve, tmp_path, monkeypatch, lambda _session, _line: None)


def test_an_output_of_which_the_dialect_does_not_know_the_most_is_told_by_its_key(serve: Any, tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text(
        'kind = "psu"\ntitle = "own"\nidn = ["^Invented"]\nbased_on = "bk-9115"\nwithout = ["models", "channels", '
        '"ask.most_amps"]\n[channels.1]\nvolts = 30\n', encoding="utf-8",
    )  # fmt: skip
    dialect = load_dialect(str(tmp_path / "own.toml"))
    assert isinstance(dialect, PsuDialect)
    with Link.open(serve(Unknown()).address, name="supply") as link:
        psu = Psu(link, dialect)
        with pytest.raises(DialectError, match=r"\[channels\.1\] needs amps"):
            psu.limits("1")


def test_a_press_while_nobody_knows_who_answers_leaves_it_closed(serve: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def pressed(link: Link, line: str) -> str:
        raise KeyboardInterrupt

    peer = serve(Unknown())
    with monkeypatch.context() as patch:
        patch.setattr(Link, "query", pressed)
        with pytest.raises(KeyboardInterrupt):
            introduce(peer.address)
    introduce(peer.address).close()  # nobody holds it any more
