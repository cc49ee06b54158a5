"""Screening on a real cluster on the loopback, one of its two workers killed in the middle."""

import contextlib
import signal
import socket
import subprocess
import sys
import time

import pytest

import misfire
from misfire.errors import ParameterError
from tests.builders.fleets import ENVIRONMENT, make_fleet, read_tree, run_screen, start_screen

pytest.importorskip("distributed", reason="the extra `cluster` is not installed")


def find_port():
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


@contextlib.contextmanager
def start_cluster(folder):
    """Start a scheduler and two workers as the README says, with ports of their own."""
    port = find_port()
    address = f"tcp://127.0.0.1:{port}"
    dask, quiet = [sys.executable, "-m", "dask"], ["--no-dashboard", "--host", "127.0.0.1"]
    with (folder / "log").open("wb") as log:
        options = {"stdout": log, "stderr": log, "env": ENVIRONMENT, "cwd": folder}
        made = [subprocess.Popen([*dask, "scheduler", *quiet, "--port", str(port)], **options)]
        for _ in range(2):
            command = [*dask, "worker", address, "--no-nanny", "--nthreads", "1", *quiet]
            made.append(subprocess.Popen([*command, "--local-directory", str(folder)], **options))
        try:
            until = time.monotonic() + 60
            while (folder / "log").read_bytes().count(b"Registered to") < 2:
                assert time.monotonic() < until, (folder / "log").read_text()
                time.sleep(0.2)
            yield address, made[1:]
        finally:
            for process in made:
                process.kill()
                process.wait()


def test_the_results_are_the_same_with_a_worker_killed(tmp_path):
    folder = make_fleet(tmp_path / "in", good=6)
    run_screen(folder, tmp_path / "plain")
    with start_cluster(tmp_path) as (address, workers):
        out = tmp_path / "out"
        process = start_screen(folder, out, "--json", "--quiet", "--scheduler", address)
        until = time.monotonic() + 300
        while not list(out.glob("results/[!.]*")) and time.monotonic() < until:
            time.sleep(0.01)
        done = len(list(out.glob("results/[!.]*")))
        workers[0].send_signal(signal.SIGKILL)
        _, errors = process.communicate(timeout=600)
        assert process.returncode == 0, errors
    assert 1 <= done < 6
    assert read_tree(out) == read_tree(tmp_path / "plain")


@pytest.mark.parametrize(
    ("address", "words"),
    [("nonsense://1", "is no address"), ("tcp://127.0.0.1:1", "no scheduler answers")],
)
def test_no_scheduler_is_told(tmp_path, address, words):
    (tmp_path / "in").mkdir()
    settings = misfire.ScreenSettings(scheduler=address)
    with pytest.raises(ParameterError, match=words):
        misfire.screen(tmp_path / "in", tmp_path / "out", settings=settings)
