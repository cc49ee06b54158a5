"""Every command in the documents runs; their pictures, links and the job card reference hold."""

import inspect
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import misfire
from misfire.cli.app import app, main
from misfire.diagnosis.chain import ingest
from misfire.ingest.jobcard import parse_job_card
from misfire.learning.confirming import confirm
from misfire.resources import find_resource
from misfire.simulate.recording import simulate
from misfire.simulate.scenario import ChannelModel, FaultModel, Scenario
from misfire.simulate.scenario_file import format_scenario, parse_scenario
from misfire.simulate.writer import write_recording

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "misfire" / "docs"
PAGES = [ROOT / "README.md", *sorted(DOCS.glob("*.md"))]
SLOW = ("train",)  # it judges every case many times: --help only; its own tests run it whole


def list_commands():
    """List the commands of all documents: in blocks, and in line with a whole command."""
    found = []
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        for block in re.findall(r"```\n(.*?)```", text, re.DOTALL):
            found += [(page.name, s) for s in block.splitlines() if s.startswith("misfire ")]
        found += [(page.name, " ".join(s.split())) for s in re.findall(r"`(misfire [^`]+)`", text)]
    # a table's placeholders (DIR, N, ...) and a bare name are no commands to run
    return sorted(
        {
            (page, said)
            for page, said in found
            if not re.search(r"\b[A-Z]{1,}\b|…", said.replace("--", "")) and len(said.split()) > 2
        }
    )


@pytest.fixture(scope="module")
def workshop(tmp_path_factory):
    """Make the files that the documents speak of: a job card, recordings, folders."""
    folder = tmp_path_factory.mktemp("workshop")
    channels = (
        ChannelModel(role="coil_primary", cylinders=(3,), range=500.0),
        ChannelModel(role="crank", range=100.0),
    )
    fault = FaultModel(type="open_secondary", kind="lead", cylinder=3, rate=0.3)
    scenario = Scenario(seed=3, duration_s=14.0, channel=channels, fault=(fault,))
    write_recording(simulate(scenario), folder)
    ingest(folder / "job.toml", folder / "rec.h5")
    for name in ("before.h5", "after.h5", "sound.h5"):
        shutil.copyfile(folder / "rec.h5", folder / name)
    shutil.copyfile(ROOT / "data_demo" / "scenario.toml", folder / "scenario.toml")
    (folder / "recordings").mkdir()
    shutil.copyfile(folder / "rec.h5", folder / "recordings" / "rec.h5")
    # what stands before them in the documents: a confirmed case, and a model made by `train`
    confirm(folder / "rec.h5", folder / "cases", faults={3: "open_secondary"})
    (folder / "cases").rename(folder / "other-cases")
    shutil.copytree(find_resource("models") / "default", folder / "model")
    return folder


def test_there_are_commands_and_they_are_found():
    pages = {page for page, _ in list_commands()}
    assert {"README.md", "diagnostician.md", "fleet.md", "developer.md"} <= pages


def list_examples():
    """List the examples that stand in each command's help."""
    epilogs = [info.epilog for info in app.registered_commands]
    return sorted(("--help", re.search(r"Example: (.*)", text)[1]) for text in epilogs)


@pytest.mark.parametrize(("page", "said"), list_commands() + list_examples())
def test_each_command_runs(workshop, monkeypatch, capsys, page, said):
    monkeypatch.chdir(workshop)
    monkeypatch.setattr(sys, "excepthook", sys.excepthook)
    monkeypatch.setattr("warnings.showwarning", lambda *_: None)
    # each finds one confirmed case; `confirm` makes it, and never a second time
    shutil.rmtree(workshop / "cases", ignore_errors=True)
    if " confirm " not in said:
        shutil.copytree(workshop / "other-cases", workshop / "cases")
    arguments = shlex.split(said.partition(" > ")[0])[1:]
    if arguments[0] in SLOW:
        arguments = [arguments[0], "--help"]
    with pytest.raises(SystemExit) as stop:
        main(arguments)
    output = capsys.readouterr()
    assert (stop.value.code or 0) == 0, output.err


def list_examples_in_python():
    """List the Python blocks of the developers' page."""
    text = (DOCS / "developer.md").read_text(encoding="utf-8")
    return re.findall(r"```python\n(.*?)```", text, re.DOTALL)


def test_the_python_example_of_the_developers_page_runs(workshop, monkeypatch, capsys):
    monkeypatch.chdir(workshop)
    source = list_examples_in_python()[0]
    exec(compile(source, "developer.md", "exec"), {})  # a text of our own
    said = capsys.readouterr().out
    assert re.search(r"\d+ of \d+$", said.strip())


def test_every_function_of_the_developers_page_runs(workshop, monkeypatch, capsys):
    monkeypatch.chdir(workshop)
    genuine = misfire.train  # it simulates hundreds of vehicles: its own tests run it whole
    asked = []

    def train(*args, **kwargs):
        asked.append(inspect.signature(genuine).bind(*args, **kwargs).arguments)
        return misfire.evaluate("shipped", args[0])

    monkeypatch.setattr(misfire, "train", train)
    source = list_examples_in_python()[1]
    exec(compile(source, "developer.md", "exec"), {})
    assert asked[0]["workers"] == 2
    said = capsys.readouterr().out
    assert "this is the model that is in use" in said
    assert "[(1, " in said  # a fleet of one vehicle
    for command in (c.callback.__name__ for c in app.registered_commands):
        if command not in ("demo", "show", "ingest", "diagnose"):
            assert f"misfire.{command}(" in source


def test_the_developers_page_names_every_function():
    text = (DOCS / "developer.md").read_text(encoding="utf-8")
    for name in misfire.__all__:
        if name != "__version__":
            assert re.search(rf"\b{name}\b", text), name


def check_reference(script):
    """Run a script that writes a page of fields, and see that the page is up to date."""
    command = [sys.executable, ROOT / "scripts" / script, "--check"]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_reference_of_scenarios_names_every_field_and_its_example_runs():
    check_reference("make_scenario_reference.py")
    text = (DOCS / "scenario.md").read_text(encoding="utf-8")
    example = re.search(r"```toml\n(.*?)```", text, re.DOTALL)[1]
    assert parse_scenario(example).fault[0].kind == "lead"
    # read back from the writer of whole scenario files, which knows every field
    written = re.findall(r"^(\w+) =", format_scenario(Scenario()), re.MULTILINE)
    documented = re.findall(r"^\| `(\w+)` \|", text, re.MULTILINE)
    assert set(written) <= set(documented)


def test_the_reference_of_the_job_card_is_what_the_reader_says():
    check_reference("make_reference.py")
    text = (DOCS / "jobcard.md").read_text(encoding="utf-8")
    card = re.search(r"```toml\n(.*?)```", text, re.DOTALL)[1]
    assert parse_job_card(card, folder=ROOT, source="jobcard.md").vehicle_id == "van-017"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_and_pictures_are_there_and_small(page):
    for link in re.findall(r"\]\(([^)#:]+)\)", page.read_text(encoding="utf-8")):
        target = page.parent / link
        assert target.is_file(), link
        if target.suffix in (".png", ".svg"):
            assert target.stat().st_size < 120_000, link


def test_every_page_is_reached_from_the_readme():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for page in DOCS.glob("*.md"):
        assert f"misfire/docs/{page.name}" in readme


def test_faults_have_a_section_and_a_picture_each():
    from misfire.records import FAULT_TYPES

    text = (DOCS / "faults.md").read_text(encoding="utf-8")
    assert re.findall(r"\(pictures/(\w+)\.svg\)", text) == list(FAULT_TYPES)
