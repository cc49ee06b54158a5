"""The same input gives the same bytes, whatever the machine's settings and number of threads."""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.builders.fleets import make_good

ROOT = Path(__file__).resolve().parents[2]
ONE_CPU = (
    "import os, sys\n"
    "if hasattr(os, 'sched_setaffinity'): os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})\n"
    "from misfire.cli.app import main\n"
    "main(sys.argv[1:])\n"
)
SETTINGS = (
    {"TZ": "Pacific/Chatham", "LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8"},
    {"TZ": "America/New_York", "LC_ALL": "tr_TR.UTF-8", "PYTHONHASHSEED": "7"},
    {"PYTHONUTF8": "0", "LC_ALL": "C", "PYTHONHASHSEED": "0", "COLUMNS": "31"},
)


def run(job, out, start, **settings):
    env = {k: v for k, v in os.environ.items() if not k.startswith("LC_")}
    env |= {"PYTHONPATH": str(ROOT), **settings}
    command = [sys.executable, *start, "diagnose", str(job), "-o", str(out), "--quiet"]
    subprocess.run(command, check=True, env=env, capture_output=True)
    paths = sorted(p for p in out.iterdir())
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in paths}


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plain")
    job = make_good(folder / "van", 2)
    return job, run(job, folder / "out", ("-m", "misfire"), PYTHONHASHSEED="1")


@pytest.mark.parametrize("settings", SETTINGS, ids=lambda s: s["LC_ALL"])
def test_settings_of_the_machine(plain, settings, tmp_path):
    job, expected = plain
    assert len(expected) == 4
    assert run(job, tmp_path / "out", ("-m", "misfire"), **settings) == expected


def test_one_processor(plain, tmp_path):
    job, expected = plain
    assert run(job, tmp_path / "out", ("-c", ONE_CPU)) == expected
