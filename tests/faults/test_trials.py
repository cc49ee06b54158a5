"""A sample of the faults that `python -m tests.faults` tries, and proof that they are seen."""

import subprocess
import sys

import pytest

from tests.faults.circumstances import (
    TARGETS,
    Circumstance,
    add_inputs,
    fill_small_disk,
    find_mount_obstacle,
    list_circumstances,
    try_circumstance,
)
from tests.faults.trials import COMMANDS, Bench, is_temporary
from tests.faults.watching import find_obstacle

SAMPLE = ("diagnose over", "ingest", "compare over", "show over", "hookup", "confirm",
          "evaluate over", "simulate h5", "train over")  # fmt: skip
OBSTACLE = find_obstacle()
MOUNT = find_mount_obstacle() if sys.platform == "linux" else "needs Linux"
PICKED = {  # one command for each fault of the surroundings; `python -m tests.faults` has all
    "target is a file, or a folder": ("ingest", "train"),
    "read-only file system": ("diagnose", "show"),
    "clock runs backwards": ("show",),
    "standard output is full": ("show",),
    "no temporary folder": ("ingest", "screen"),
}


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    if OBSTACLE:
        pytest.skip(OBSTACLE)
    made = Bench(tmp_path_factory.mktemp("faults"))
    yield made
    made.close()


def choose(bench, command, *, shift):
    """Choose three steps of a command, others for each fault."""
    steps, _ = bench.measure(command)
    third = max(len(steps) // 3, 1)
    return range(shift % third, len(steps), third)


@pytest.mark.parametrize("action", ["once", "full", "kill"])
@pytest.mark.parametrize("command", [c for c in COMMANDS if c.name in SAMPLE], ids=lambda c: c.name)
def test_faults_at_a_step(command, action, bench):
    shift = {"once": 1, "full": 2, "kill": 5}[action] + len(command.name)
    for at in choose(bench, command, shift=shift):
        made = bench.try_fault(command, at=at, action=action)
        assert not made.broken, (made.hit, made.said)


@pytest.mark.parametrize("limit", [0, 700, 40_000])
@pytest.mark.parametrize("name", ["ingest", "simulate h5", "evaluate over"])
def test_a_file_that_may_not_grow(name, limit, bench):
    command = next(c for c in COMMANDS if c.name == name)
    made = bench.try_fault(command, limit=limit)
    assert not made.broken, made.said


@pytest.mark.skipif(bool(MOUNT), reason=str(MOUNT))
@pytest.mark.parametrize("size_kib", [4, 100])
def test_a_real_disk_that_is_too_small(size_kib, bench):
    command = next(c for c in COMMANDS if c.name == "ingest")
    status, said, left = fill_small_disk(command, bench.folder, bench.place, size_kib)
    assert (status, len(said), left) == (1, 1, {})
    assert "No space left" in said[0]


@pytest.fixture(scope="module")
def surroundings(tmp_path_factory, bench):
    add_inputs(bench.folder)
    bench.inputs = {}
    return bench.folder, tmp_path_factory.mktemp("around")


CASES = [c for c in list_circumstances() if c.command in PICKED.get(c.fault, (c.command,))]


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c.fault}-{c.command}")
def test_faults_of_the_surroundings(case, surroundings):
    if case.shell and MOUNT:
        pytest.skip(MOUNT)
    status, said, broken = try_circumstance(case, *surroundings)
    assert not broken, (status, said)


def test_a_breach_is_seen(surroundings):
    """The contract is not met by a command that writes in place, nor by one that says nothing."""
    careless = (
        "import pathlib, sys, misfire.publishing as p\n"
        "def write(path, content):\n"
        "    path.with_name(f'.{path.name}.part').write_bytes(b'half')\n"
        "    raise ZeroDivisionError\n"
        "p.write_whole = write\n"
    )
    case = Circumstance("careless", "simulate", TARGETS["simulate"], ("room",), before=careless)
    _, _, broken = try_circumstance(case, *surroundings)
    assert "not one clear line" in broken
    assert any(word.startswith("left behind") for word in broken)


def test_temporary_names():
    assert is_temporary(".rec.h5.x.part")
    assert is_temporary("cases/.van-1.part/truth.json")
    assert not is_temporary("cases/van-1/truth.json")


def test_the_script_prints_a_table():
    if OBSTACLE:
        pytest.skip(OBSTACLE)
    command = [sys.executable, "-m", "tests.faults", "--command", "hookup", "--action", "full"]
    done = subprocess.run([*command, "--every", "6"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert "disk full from one step on | hookup" in " ".join(done.stdout.split())
