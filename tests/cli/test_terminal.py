"""What commands say on a terminal, and what a program reads: folded, in columns, plain, or JSON."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from misfire.cli import output
from misfire.report.diagnosis.table import format_table
from tests.builders.diagnoses import make_diagnosis

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(params=[80, 60])
def terminal(request, monkeypatch):
    """Make standard output a terminal of some columns; gives them."""
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("COLUMNS", str(request.param))
    return request.param


def test_long_lines_are_folded_on_a_terminal_and_keep_every_word(terminal, capsys, monkeypatch):
    text = format_table(make_diagnosis())
    monkeypatch.setattr(output.sys.stdout, "isatty", lambda: True, raising=False)
    output.print_text(text)
    said = capsys.readouterr().out
    assert max(map(len, said.splitlines())) <= terminal
    assert said.split() == text.split()
    assert not re.search(r"^\s*%", said, re.MULTILINE)  # a number keeps its per cent sign


def test_lines_are_left_alone_where_no_terminal_is(capsys):
    text = "x " * 200
    output.print_text(text)
    assert capsys.readouterr().out == text + "\n"


def test_rows_are_in_columns_on_a_terminal(terminal, capsys, monkeypatch):
    monkeypatch.setattr(output.sys.stdout, "isatty", lambda: True, raising=False)
    rows = [("rank", "vehicle", "reason"), ("1", "van-017", "a word " * 12), ("10", "v", "")]
    output.print_rows(rows)
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("rank  vehicle")
    assert [line.index("v") for line in lines if "van" in line or line.startswith("10")] == [6, 6]
    assert max(map(len, lines)) <= terminal


def test_rows_have_tabs_for_a_program(capsys):
    output.print_rows([("a", "b"), ("c", "")])
    assert capsys.readouterr().out == "a\tb\nc\t\n"


def run_on_terminal(arguments, **variables):
    """Run a command with a pseudo-terminal of 72 columns as all its streams; give what it said."""
    pty = pytest.importorskip("pty", reason="no pseudo-terminals on this system")
    import fcntl
    import struct
    import termios

    leader, follower = pty.openpty()
    fcntl.ioctl(follower, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 72, 0, 0))
    environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "NO_COLOR")}
    process = subprocess.Popen(
        [sys.executable, "-m", "misfire", *map(str, arguments)],
        stdin=follower,
        stdout=follower,
        stderr=follower,
        cwd=ROOT,
        env=environment | {"TERM": "xterm-256color"} | variables,
    )
    os.close(follower)
    said = b""
    while True:
        try:
            piece = os.read(leader, 65536)
        except OSError:  # Linux: the last writer has closed its end
            break
        if not piece:
            break
        said += piece
    os.close(leader)
    assert process.wait() == 0
    return said.decode().replace("\r\n", "\n")


@pytest.fixture(scope="module")
def card():
    """Give the card of the bundled recording."""
    place = ROOT / "data_demo" / "job.toml"
    if not place.is_file():
        pytest.skip("data_demo holds no recording yet")
    return place


def test_a_real_terminal_gets_a_bar_and_then_folded_lines(card):
    said = run_on_terminal(["diagnose", card], NO_COLOR="1")
    assert "reading" in said
    assert "judging" in said
    verdict = said[said.index("van-017: MISFIRE") :]
    assert max(map(len, verdict.splitlines())) <= 72
    assert "\x1b[3" not in said  # no colour (https://no-color.org: any value of NO_COLOR)
    assert "\x1b" not in verdict


def test_quiet_shows_no_bar_and_json_is_all_that_is_said(card):
    assert "\x1b" not in (said := run_on_terminal(["diagnose", card, "--quiet"]))
    assert said.startswith("van-017: MISFIRE")
    document = json.loads(run_on_terminal(["diagnose", card, "--quiet", "--json"]))
    assert document["verdict"] == "misfire"
