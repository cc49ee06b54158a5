"""What the README says is true: its job card, Python example, list of commands and links."""

import re
from pathlib import Path

import pytest

from misfire.cli.app import app
from misfire.ingest.jobcard import parse_job_card
from misfire.simulate.recording import simulate
from misfire.simulate.scenario import Scenario
from misfire.simulate.writer import write_recording

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = {info.name or info.callback.__name__ for info in app.registered_commands}


def find_block(language: str) -> str:
    """Find the first code block of a language."""
    return re.search(rf"```{language}\n(.*?)```", README, re.DOTALL)[1]


def test_the_job_card_is_one():
    job = parse_job_card(find_block("toml"), folder=ROOT, source="README.md")
    assert job.vehicle_id == "van-017"
    assert [channel.role for channel in job.channels] == ["coil_primary", "crank"]
    assert job.wheel.tdc_deg == 84.0


def test_the_python_example_runs(tmp_path, monkeypatch, capsys):
    write_recording(simulate(Scenario(seed=2, duration_s=2.0)), tmp_path)
    monkeypatch.chdir(tmp_path)
    names = {}
    exec(compile(find_block("python"), "README.md", "exec"), names)  # a text of our own
    assert len(capsys.readouterr().out.splitlines()) == 1 + 4  # the verdict and four cylinders
    assert "lost" in names


def test_the_table_lists_the_commands_that_exist():
    assert set(re.findall(r"^\| `misfire (\w+)", README, re.MULTILINE)) == COMMANDS
    planned = re.search(r"Planned, not there yet:(.*?)\n\n", README, re.DOTALL)
    assert not COMMANDS & set(re.findall(r"`(\w+)`", planned[1] if planned else ""))


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_local_links_lead_somewhere(document):
    text = (ROOT / document).read_text(encoding="utf-8")
    if not (ROOT / "data_demo" / "job.toml").is_file():
        pytest.skip("data_demo holds no recording and no picture yet")
    for link in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (ROOT / link).is_file(), link
