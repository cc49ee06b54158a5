"""The outside of the command: exit status, one-line errors, pure JSON, help."""

import errno
import json
import os
import re
import signal
import subprocess
import sys
import time
import wave
from pathlib import Path

import pytest

from misfire.cli import output, progress
from misfire.cli.app import app
from misfire.cli.simulate import Format
from misfire.simulate.scenario import FORMATS

DOCS = Path(__file__).resolve().parents[2] / "misfire" / "docs"
COMMANDS = sorted(info.name or info.callback.__name__ for info in app.registered_commands)
READERS = ("check", "diagnose", "ingest")  # commands that take a recording or a job card

CARD = """
[vehicle]
id = "test-1"

[engine]
cylinders = 4
firing_order = [1, 3, 4, 2]
ignition = "coil_on_plug"

[[channel]]
role = "coil_primary"
file = "capture.wav"
column = 0
cylinders = [1]
unit = "V"
scale = 0.02
"""


@pytest.fixture
def card(tmp_path):
    """Write a job card and a raw file of two seconds of silence."""
    with wave.open(str(tmp_path / "capture.wav"), "wb") as raw:
        raw.setparams((1, 2, 10_000, 0, "NONE", ""))
        raw.writeframes(bytes(2 * 20_000))
    path = tmp_path / "job.toml"
    path.write_text(CARD, encoding="utf-8")
    return path


def require_demo() -> None:
    """Skip where the checkout has no bundled recording."""
    if not (Path(__file__).resolve().parents[2] / "data_demo" / "job.toml").is_file():
        pytest.skip("data_demo holds no recording yet")


def assert_one_line(status, out, err, *words):
    """Check that a command refused its input with one clear line and nothing else."""
    assert status == 1
    assert out == ""
    assert err.startswith("misfire: ")
    assert err.count("\n") == 1
    assert err.endswith("\n")
    assert "fault in the program" not in err
    for word in words:
        assert word in err


def add_out(command, folder):
    """Give the arguments that name an output, where the command has one."""
    return {
        "ingest": ["-o", folder / "rec.h5"],
        "diagnose": ["-o", folder / "out"],
    }.get(command, [])


class TestHelp:
    @pytest.mark.parametrize("command", COMMANDS)
    def test_each_command_has_help_with_an_example(self, run, command):
        status, out, err = run(command, "--help")
        assert (status, err) == (0, "")
        assert f"Example: misfire {command}" in out
        assert "--json" in out

    def test_the_first_page_lists_every_command(self, run):
        status, out, err = run("--help")
        assert (status, err) == (0, "")
        listed = out.split("Commands:")[1].split("\n\n")[0].strip().splitlines()
        assert sorted(line.split()[0] for line in listed) == COMMANDS

    def test_version(self, run):
        status, out, _ = run("--version")
        changes = (DOCS / "CHANGELOG.md").read_text(encoding="utf-8")
        newest = re.search(r"^## (\S+)$", changes, re.MULTILINE)
        assert (status, out) == (0, f"misfire {newest[1]}\n")

    def test_as_a_module(self):
        done = subprocess.run(
            [sys.executable, "-m", "misfire", "--version"], capture_output=True, text=True
        )
        assert done.returncode == 0
        assert done.stdout.startswith("misfire ")


class TestUsage:
    @pytest.mark.parametrize(
        "arguments",
        [
            [],
            ["no-such-command"],
            ["diagnose"],
            ["diagnose", "a.h5", "--no-such-option"],
            ["diagnose", "a.h5", "b.h5"],
            ["ingest", "job.toml"],
        ],
    )
    def test_wrong_usage_is_2(self, run, arguments):
        status, _, err = run(*arguments)
        assert status == 2
        assert "Usage" in err
        assert "Traceback" not in err


class TestRefusals:
    @pytest.mark.parametrize("command", READERS)
    def test_missing_file(self, run, tmp_path, command):
        path = tmp_path / "nowhere.h5"
        assert_one_line(*run(command, path, *add_out(command, tmp_path)), "nowhere.h5")

    @pytest.mark.parametrize("command", READERS)
    @pytest.mark.parametrize("name", ["rec.h5", "job.toml"])
    @pytest.mark.parametrize(
        "content",
        [b"", bytes(range(256)) * 16, b"\x89HDF\r\n\x1a\n" + bytes(40)],
        ids=["empty", "garbage", "cut HDF5"],
    )
    def test_empty_and_garbage(self, run, tmp_path, command, name, content):
        path = tmp_path / name
        path.write_bytes(content)
        assert_one_line(*run(command, path, *add_out(command, tmp_path)), name)
        assert list(tmp_path.iterdir()) == [path]  # nothing half written is left

    @pytest.mark.parametrize("command", READERS)
    def test_folder(self, run, tmp_path, command):
        folder = tmp_path / "a-folder"
        folder.mkdir()
        assert_one_line(*run(command, folder, *add_out(command, tmp_path)), "a-folder")

    @pytest.mark.parametrize("command", READERS)
    def test_wrong_field(self, run, card, command):
        card.write_text(CARD.replace("cylinders = 4", "cylinders = 40"), encoding="utf-8")
        assert_one_line(
            *run(command, card, *add_out(command, card.parent)), "job.toml", "cylinders", "40"
        )

    @pytest.mark.parametrize("command", READERS)
    def test_missing_raw_file(self, run, card, command):
        (card.parent / "capture.wav").unlink()
        assert_one_line(*run(command, card, *add_out(command, card.parent)), "capture.wav")

    @pytest.mark.parametrize("command", READERS)
    def test_garbage_raw_file(self, run, card, command):
        (card.parent / "capture.wav").write_bytes(b"RIFF" + bytes(range(200)))
        assert_one_line(*run(command, card, *add_out(command, card.parent)), "capture.wav")

    @pytest.mark.parametrize("command", ["ingest", "diagnose"])
    def test_output_below_a_file(self, run, card, command):
        blocked = card.parent / "a-file"
        blocked.write_text("not a folder")
        assert_one_line(*run(command, card, "-o", blocked / "out"), "a-file")
        assert blocked.read_text() == "not a folder"

    def test_folder_in_place_of_the_recording(self, run, card):
        assert_one_line(*run("ingest", card, "-o", card.parent), str(card.parent))

    def test_file_in_place_of_the_folder(self, run, card):
        assert_one_line(*run("diagnose", card, "-o", card), "job.toml")

    @pytest.mark.parametrize(
        ("content", "word"), [("nonsense = 1", "nonsense"), ("\0", "scenario"), ("[engine", "TOML")]
    )
    def test_scenario_that_cannot_be_used(self, run, tmp_path, content, word):
        path = tmp_path / "scenario.toml"
        path.write_text(content, encoding="utf-8")
        assert_one_line(*run("simulate", path, "-o", tmp_path / "out"), "scenario.toml", word)
        assert list(tmp_path.iterdir()) == [path]

    def test_json_keeps_standard_output_empty_on_failure(self, run, tmp_path):
        assert_one_line(*run("diagnose", tmp_path / "nowhere.h5", "--json"))


class TestOutput:
    def test_ingest_then_check(self, run, card):
        recording = card.parent / "rec.h5"
        status, out, err = run("ingest", card, "-o", recording)
        assert (status, err) == (0, "")
        assert str(recording) in out
        assert recording.is_file()
        status, out, err = run("check", recording)
        assert (status, err) == (0, "")
        assert out.splitlines()[0].startswith("test-1: ")

    def test_ingest_and_check_as_json(self, run, card):
        recording = card.parent / "rec.h5"
        status, out, err = run("ingest", card, "-o", recording, "--json")
        assert (status, err) == (0, "")
        assert isinstance(json.loads(out), dict)
        status, out, err = run("check", recording, "--json")
        assert (status, err) == (0, "")
        document = json.loads(out)
        assert document["vehicle"] == "test-1"
        assert isinstance(document["quality"], list)

    def test_simulate_then_diagnose(self, run, tmp_path):
        scenario = tmp_path / "scenario.toml"
        scenario.write_text('seed = 3\nduration_s = 3.0\nvehicle = "test-2"\n', encoding="utf-8")
        status, out, err = run("simulate", scenario, "-o", tmp_path / "made", "--json")
        assert (status, err) == (0, "")
        made = json.loads(out)
        assert json.loads(Path(made["truth"]).read_text("utf-8"))
        folder = tmp_path / "result"
        status, out, err = run("diagnose", made["job"], "-o", folder)
        assert (status, err) == (0, "")  # whatever the verdict
        assert out.startswith("test-2: ")
        for name in ("result.json", "events.parquet", "misfires.csv", "report.html"):
            assert f"wrote {folder / name}\n" in out
            assert (folder / name).is_file()
        status, out, err = run("diagnose", made["job"], "--json")
        assert (status, err) == (0, "")
        assert json.loads(out) == json.loads((folder / "result.json").read_text("utf-8"))
        assert sorted(path.name for path in tmp_path.iterdir()) == [
            "made",
            "result",
            "scenario.toml",
        ]

    def test_simulate_offers_every_format(self):
        assert {form.value for form in Format} == set(FORMATS)

    def test_demo_writes_the_contract_files(self, run, tmp_path):
        require_demo()
        status, out, err = run("demo", "-o", tmp_path / "demo", "--json")
        assert (status, err) == (0, "")
        document = json.loads(out)
        assert document["schema"] == "misfire-result/1"
        names = {path.name for path in (tmp_path / "demo").iterdir()}
        assert names == {"result.json", "events.parquet", "misfires.csv", "report.html"}
        assert {Path(name).name for name in document.pop("files")} == names
        assert json.loads((tmp_path / "demo" / "result.json").read_text("utf-8")) == document

    def test_json_has_no_nan(self, capsys):
        with pytest.raises(ValueError, match="JSON"):
            output.print_json({"value": float("nan")})
        assert capsys.readouterr().out == ""


class TestFailuresOfTheSystem:
    @pytest.mark.parametrize(
        ("number", "word"), [(errno.ENOSPC, "free some space"), (errno.EACCES, "permissions")]
    )
    def test_system_error_is_one_line(self, run, monkeypatch, tmp_path, number, word):
        def refuse(*_, **__):
            raise OSError(number, os.strerror(number), str(tmp_path / "rec.h5"))

        monkeypatch.setattr("misfire.diagnosis.chain.ingest", refuse)
        got = run("ingest", tmp_path / "job.toml", "-o", tmp_path / "rec.h5")
        assert_one_line(*got, "rec.h5", word)

    def test_out_of_memory_is_one_line(self, run, monkeypatch, tmp_path):
        def refuse(*_, **__):
            raise MemoryError

        monkeypatch.setattr("misfire.diagnosis.chain.ingest", refuse)
        got = run("ingest", tmp_path / "job.toml", "-o", tmp_path / "rec.h5")
        assert_one_line(*got, "memory")

    def test_interrupted_is_130(self, run, monkeypatch, tmp_path):
        def interrupt(*_, **__):
            raise KeyboardInterrupt

        monkeypatch.setattr("misfire.diagnosis.chain.ingest", interrupt)
        status, out, err = run("ingest", tmp_path / "job.toml", "-o", tmp_path / "rec.h5")
        assert (status, out) == (130, "")
        assert err.count("\n") == 1
        assert "no result was written, not even in part; run the same command to start again" in err
        assert not (tmp_path / "rec.h5").exists()

    @pytest.mark.parametrize("command", [c.callback.__name__ for c in app.registered_commands])
    def test_help_fits_a_screen(self, command):
        done = subprocess.run(
            [sys.executable, "-m", "misfire", command, "--help"],
            capture_output=True,
            text=True,
            env=os.environ | {"COLUMNS": "80"},
        )
        assert done.stdout.count("\n") <= 30

    def test_fault_of_the_program_is_one_line_too(self, tmp_path):
        code = (
            "import misfire.diagnosis.chain as chain\n"
            "def fail(*_, **__): raise ZeroDivisionError('planted')\n"
            "chain.ingest = fail\n"
            "from misfire.cli.app import main\n"
            f"main(['ingest', 'job.toml', '-o', {str(tmp_path / 'rec.h5')!r}])"
        )
        environment = {k: v for k, v in os.environ.items() if k != "MISFIRE_TRACEBACK"}
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, env=environment
        )
        assert done.returncode == 1
        assert done.stdout == ""
        assert done.stderr.count("\n") == 1
        assert "ZeroDivisionError: planted" in done.stderr
        shown = subprocess.run(
            [sys.executable, "-c", code],
            capture_output=True,
            text=True,
            env=environment | {"MISFIRE_TRACEBACK": "1"},
        )
        assert "Traceback" in shown.stderr

    @pytest.mark.skipif(os.name == "nt", reason="sends a POSIX signal")
    def test_a_real_interrupt(self, tmp_path):
        code = (
            "import signal, sys, time\n"
            # shells start what runs in the background with interrupts ignored
            "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
            "import misfire.diagnosis.chain as chain\n"
            "def wait(*_, **__): print('ready', file=sys.stderr, flush=True); time.sleep(60)\n"
            "chain.ingest = wait\n"
            "from misfire.cli.app import main\n"
            f"main(['ingest', 'job.toml', '-o', {str(tmp_path / 'rec.h5')!r}])"
        )
        with subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.PIPE) as process:
            assert process.stderr.readline() == b"ready\n"
            time.sleep(0.1)
            process.send_signal(signal.SIGINT)
            rest = process.stderr.read()
        assert process.returncode == 130
        assert b"Traceback" not in rest
        assert b"run the same command to start again" in rest

    def test_no_permission_is_seen_before_the_work(self, run, card, monkeypatch):
        monkeypatch.setattr(output.os, "access", lambda *_: False)  # the superuser may write all
        got = run("ingest", card, "-o", card.parent / "rec.h5")
        assert_one_line(*got, "no permission", str(card.parent))

    def test_a_full_disk(self, tmp_path):
        full = Path("/dev/full")
        if not full.exists():
            pytest.skip("needs /dev/full")
        code = "from misfire.cli.app import main; main(['--help'])"
        with full.open("w") as stream:
            done = subprocess.run([sys.executable, "-c", code], stdout=stream, stderr=-1, text=True)
        assert done.returncode != 0
        assert "Traceback" not in done.stderr


class TestPublicNames:
    def test_each_public_name_exists(self):
        import misfire

        for name in misfire.__all__:
            assert getattr(misfire, name) is not None
            assert name in dir(misfire)

    def test_unknown_name(self):
        import misfire

        with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
            _ = misfire.nonsense


class TestProgress:
    def test_no_bar_where_nobody_sees_it(self, capsys):
        with progress.show_progress(quiet=False) as draw:
            assert draw is None
        assert capsys.readouterr().err == ""

    def test_bar_on_a_terminal(self, monkeypatch, capsys):
        monkeypatch.setenv("TERM", "xterm")
        monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
        with progress.show_progress(quiet=True) as draw:
            assert draw is None
        with progress.show_progress(quiet=False) as draw:
            draw("reading", 0.5)
            draw("reading", 1.0)
        assert capsys.readouterr().out == ""

    @pytest.mark.parametrize("kind", ["dumb", "unknown"])
    def test_a_terminal_that_only_prints_gets_no_bar(self, monkeypatch, capsys, kind):
        # terminfo(5): dumb and unknown terminals have no motion of the cursor
        monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
        monkeypatch.setenv("TERM", kind)
        with progress.show_progress(quiet=False) as draw:
            assert draw is None
        assert capsys.readouterr().err == ""

    def test_a_warning_about_the_data_is_one_line(self):
        code = (
            "import warnings\n"
            "import misfire.diagnosis.chain as chain\n"
            "from misfire.errors import DataWarning\n"
            "def warn(*_, **__): warnings.warn('odd rate', DataWarning); return {}\n"
            "chain.ingest = warn\n"
            "from misfire.cli.app import main\n"
            "main(['ingest', 'job.toml', '-o', 'rec.h5', '--json'])"
        )
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
        assert done.returncode == 0
        assert done.stdout == "{}\n"
        assert done.stderr == "misfire: note: odd rate\n"
