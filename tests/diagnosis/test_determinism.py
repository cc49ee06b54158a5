"""The same input gives the same bytes, whatever the machine's settings and number of threads."""

import hashlib
import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from misfire.fleet.folder import find_sources
from tests.builders.fleets import make_good, read_tree

ROOT = Path(__file__).resolve().parents[2]
MAIN = "from misfire.cli.app import main\nmain(sys.argv[1:])\n"
ONE_CPU = (
    "import os, sys\n"
    "if hasattr(os, 'sched_setaffinity'): os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})\n"
    f"{MAIN}"
)
BACKWARDS = (  # the order in which a file system lists a folder means nothing
    "import os, sys\n"
    "class Turned(list):\n"
    "    def __enter__(self): return self\n"
    "    def __exit__(self, *_): pass\n"
    "    def close(self): pass\n"
    "def turn(function, kind):\n"
    "    return lambda *a, **k: kind(sorted(function(*a, **k), key=str)[::-1])\n"
    "os.scandir, os.listdir = turn(os.scandir, Turned), turn(os.listdir, list)\n"
    f"{MAIN}"
)
LATER = (  # another day, and a clock that stands still
    f"import sys, time\ntime.time, time.time_ns = (lambda: 4e9), (lambda: 4 * 10**18)\n{MAIN}"
)
PLAIN = ("-m", "misfire")
SETTINGS = (
    {"TZ": "Pacific/Chatham", "LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8"},
    {"TZ": "America/New_York", "LC_ALL": "tr_TR.UTF-8", "PYTHONHASHSEED": "7"},
    {"PYTHONUTF8": "0", "LC_ALL": "C", "PYTHONHASHSEED": "0", "COLUMNS": "31"},
    {"LC_ALL": "C.UTF-8", "OMP_NUM_THREADS": "2", "OPENBLAS_NUM_THREADS": "2", "NO_COLOR": "1"},
)
COMMANDS = {
    "diagnose": ("diagnose", "{job}", "-o", "{out}", "--quiet"),
    "hookup": ("hookup", "{job}", "-o", "{out}", "--quiet"),
    "show": ("show", "{job}", "--time", "1.5", "-o", "{out}/f.svg"),
    "ingest": ("ingest", "{job}", "-o", "{out}/rec.h5", "--quiet"),
}


def run(job, out, start, *, command="diagnose", cwd=None, **settings):
    """Run a command and give the hash of each file that it makes."""
    env = {k: v for k, v in os.environ.items() if not k.startswith("LC_")}
    # the date that a page bears is told, as reproducible builds do
    env |= {"PYTHONPATH": str(ROOT), "SOURCE_DATE_EPOCH": "1790000000", **settings}
    out.mkdir(exist_ok=True)
    arguments = [part.format(job=job, out=out) for part in COMMANDS[command]]
    done = subprocess.run(
        [sys.executable, *start, *arguments], check=False, env=env, capture_output=True, cwd=cwd
    )
    assert done.returncode == 0, done.stderr
    paths = sorted(p for p in out.iterdir())
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in paths}


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plain")
    job = make_good(folder / "van", 2)
    made = {c: run(job, folder / c, PLAIN, command=c, PYTHONHASHSEED="1") for c in COMMANDS}
    return job, made


@pytest.mark.parametrize("settings", SETTINGS, ids=lambda s: s["LC_ALL"])
def test_settings_of_the_machine(plain, settings, tmp_path):
    job, expected = plain
    assert len(expected["diagnose"]) == 4
    assert run(job, tmp_path / "out", PLAIN, **settings) == expected["diagnose"]


@pytest.mark.parametrize("command", ["hookup", "show", "ingest"])
def test_other_commands(plain, command, tmp_path):
    job, expected = plain
    settings = {"TZ": "Pacific/Chatham", "LC_ALL": "tr_TR.UTF-8", "PYTHONHASHSEED": "99"}
    assert run(job, tmp_path / "out", PLAIN, command=command, **settings) == expected[command]


@pytest.mark.parametrize("start", [ONE_CPU, LATER], ids=["one processor", "another day"])
def test_processors_and_days(plain, start, tmp_path):
    job, expected = plain
    assert run(job, tmp_path / "out", ("-c", start)) == expected["diagnose"]


def test_place_of_the_recording_and_current_folder(plain, tmp_path):
    """Another absolute path, and a relative one from within the folder."""
    job, expected = plain
    other = tmp_path / "a much longer path ü" / "van"
    shutil.copytree(job.parent, other)
    made = run("job.toml", tmp_path / "out", PLAIN, cwd=other)
    assert made == expected["diagnose"]
    stored = run(other / job.name, tmp_path / "store", PLAIN, command="ingest")
    assert stored == expected["ingest"]


@pytest.mark.skipif(os.name == "nt", reason="Windows has no file mode mask")
@pytest.mark.parametrize("command", ["diagnose", "show", "ingest", "hookup"])
def test_file_mode_mask(plain, command, tmp_path):
    """A mask changes no byte, and is followed: what others may not read, they may not."""
    job, expected = plain
    before = os.umask(0o077)
    try:
        made = run(job, tmp_path / "out", PLAIN, command=command)
    finally:
        os.umask(before)
    assert made == expected[command]
    modes = {stat.S_IMODE(p.stat().st_mode) for p in (tmp_path / "out").iterdir()}
    assert modes == {0o600}


def screen(folder, out, start, *options, **settings):
    """Run a screening and give its final files."""
    done = subprocess.run(
        [sys.executable, *start, "screen", str(folder), "-o", str(out), "--quiet", *options],
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1", **settings},
        capture_output=True,
    )
    assert done.returncode == 0, done.stderr
    return read_tree(out)


def test_order_in_which_a_folder_is_listed(tmp_path, monkeypatch):
    """A fleet, listed backwards by the file system, in another place and locale."""
    folder = tmp_path / "in"
    for number in range(3):
        make_good(folder / f"{number}", number, vehicle=f"van-{number % 2}")
    (folder / "3").mkdir()
    (folder / "3" / "orphan.wav").write_bytes(b"RIFF")
    expected = screen(folder, tmp_path / "one", PLAIN)
    moved = tmp_path / "elsewhere" / "recordings"
    shutil.copytree(folder, moved)
    settings = {"LC_ALL": "tr_TR.UTF-8", "TZ": "Pacific/Chatham", "PYTHONHASHSEED": "3"}
    out = tmp_path / "two"
    assert screen(moved, out, ("-c", BACKWARDS), "--workers", "2", **settings) == expected
    names = [source.name for source in find_sources(folder, skip=out).sources]
    listed = os.listdir
    monkeypatch.setattr(os, "listdir", lambda *a: sorted(listed(*a))[::-1])
    assert [source.name for source in find_sources(folder, skip=out).sources] == names
