"""Screening a small fleet: resumed, disturbed, in parallel, always with the same final bytes."""

import datetime
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time

import pandas as pd
import pytest

import misfire
from misfire.diagnosis.chain import ingest
from misfire.errors import FormatError, OutputError, ParameterError
from misfire.fleet.folder import CATALOGUE
from misfire.fleet.lock import LOCK, lock_folder
from misfire.fleet.pool import IsolatedWorker, LocalPool, TaskLimits
from misfire.fleet.watch import watch
from misfire.simulate.scenario import FaultModel
from tests.builders.fleets import (
    BAD,
    make_endless,
    make_fleet,
    make_good,
    read_tree,
    run_screen,
    start_screen,
)

GOOD = 7


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """Make seven good recordings and five spoiled ones."""
    return make_fleet(tmp_path_factory.mktemp("fleet") / "in", good=GOOD)


@pytest.fixture(scope="module")
def undisturbed(fleet, tmp_path_factory):
    """Screen them once with one worker: the document and the final files."""
    out = tmp_path_factory.mktemp("out") / "plain"
    before = read_tree(fleet)
    document = run_screen(fleet, out)
    assert read_tree(fleet) == before  # the folder of recordings is only read
    return document, read_tree(out), out


def read_catalogue(out):
    base = sqlite3.connect(out / CATALOGUE)
    rows = base.execute("SELECT name, state, attempts FROM recordings").fetchall()
    mode = base.execute("PRAGMA journal_mode").fetchone()[0]
    base.close()
    assert mode == "wal"
    return {name: (state, attempts) for name, state, attempts in rows}


def test_good_ones_are_judged_and_each_bad_one_has_its_reason(undisturbed):
    document, _, out = undisturbed
    assert document["counts"]["judged"] == GOOD
    failed = {f["name"]: f for f in document["failed"]}
    assert failed.keys() == BAD.keys()
    for name, (code, words) in BAD.items():
        assert failed[name]["code"] == code
        assert words in failed[name]["reason"]
        assert len(failed[name]["fix"]) > 20
        assert str(out.parent.parent) not in failed[name]["reason"]  # no path of this machine
    first = document["vehicles"][0]
    assert (first["id"], first["urgency"], first["cylinders"]) == ("van-2", "now", [3])


def test_tables_hold_every_recording(undisturbed):
    document, _, out = undisturbed
    text, table = pd.read_csv(out / "fleet.csv"), pd.read_parquet(out / "fleet.parquet")
    assert list(text.columns) == list(table.columns)
    assert len(text) == len(table) == GOOD + len(BAD)
    assert (table["state"] == "failed").sum() == len(BAD)
    assert table["rank"].dropna().is_monotonic_increasing
    reports = table["report"].dropna()
    assert all((out / report).is_file() for report in reports)


def test_a_result_is_that_of_diagnose(undisturbed, fleet):
    _, _, out = undisturbed
    diagnosis = misfire.diagnose(fleet / "lane 0/2/job.toml")
    table = pd.read_parquet(out / "fleet.parquet").set_index("recording")
    row = table.loc["lane 0/2/job.toml"]
    assert row["verdict"] == diagnosis.verdict
    assert row["probability"] == pytest.approx(diagnosis.cylinders[0].probability, rel=1e-5)
    assert row["misfires"] == sum(c.misfires for c in diagnosis.cylinders)


def test_two_workers_give_the_same_bytes(undisturbed, fleet, tmp_path):
    run_screen(fleet, tmp_path / "out", "--workers", "2")
    assert read_tree(tmp_path / "out") == undisturbed[1]


def test_killed_five_times_and_resumed_it_gives_the_same_bytes(undisturbed, fleet, tmp_path):
    out, rng = tmp_path / "out", random.Random(7)
    results = []
    for k in range(5):
        process = start_screen(fleet, out, "--quiet")
        until = time.monotonic() + 30
        while time.monotonic() < until and process.poll() is None:
            done = len(list(out.glob("results/[!.]*")))
            if done > k:
                break
            time.sleep(0.01)
        time.sleep(rng.uniform(0, 0.3))
        process.send_signal(signal.SIGKILL)
        process.communicate()
        results.append(done)
    assert results == sorted(results)  # what was done is kept
    document = run_screen(fleet, out)
    assert document["run"]["judged_now"] < GOOD
    assert read_tree(out) == undisturbed[1]


def test_a_second_run_does_nothing_and_a_change_only_what_changed(fleet, tmp_path):
    folder, out = tmp_path / "in", tmp_path / "out"
    for k in (0, 1):
        shutil.copytree(fleet / f"lane {k}/{k}", folder / f"{k}")
    assert run_screen(folder, out)["run"]["judged_now"] == 2
    first = read_tree(out)
    assert run_screen(folder, out)["run"]["judged_now"] == 0
    assert read_tree(out) == first
    card = folder / "1/job.toml"
    card.write_text(card.read_text("utf-8").replace("van-1", "van-9"), encoding="utf-8")
    assert run_screen(folder, out)["run"]["judged_now"] == 1
    kept = sorted(p.name[:5] for p in (out / "results").iterdir())
    assert kept == ["van-0", "van-9"]  # what the change has replaced is gone
    (folder / "1").rename(folder / "elsewhere")  # the same content under another name
    assert run_screen(folder, out)["run"]["judged_now"] == 0
    assert read_catalogue(out).keys() == {"0/job.toml", "elsewhere/job.toml"}


def test_a_lost_catalogue_costs_no_result(fleet, tmp_path):
    folder, out = tmp_path / "in", tmp_path / "out"
    shutil.copytree(fleet / "lane 0/0", folder / "0")
    run_screen(folder, out)
    first = read_tree(out)
    (out / CATALOGUE).write_bytes(b"no database" * 100)
    assert run_screen(folder, out)["run"]["judged_now"] == 0
    shutil.rmtree(tmp_path / "x", ignore_errors=True)
    (out / f"{CATALOGUE}.unreadable").unlink()
    assert read_tree(out) == first


def test_a_recording_that_left_stays_in_the_history(fleet, tmp_path):
    folder, out = tmp_path / "in", tmp_path / "out"
    for k in (0, 1):
        shutil.copytree(fleet / f"lane {k}/{k}", folder / f"{k}")
    run_screen(folder, out)
    shutil.rmtree(folder / "1")
    document = run_screen(folder, out)
    gone = {r["name"]: r["gone"] for v in document["vehicles"] for r in v["recordings"]}
    assert gone == {"0/job.toml": False, "1/job.toml": True}


def test_a_stored_recording_of_a_card_is_not_judged_twice(fleet, tmp_path):
    folder, out = tmp_path / "in", tmp_path / "out"
    shutil.copytree(fleet / "lane 0/0", folder / "0")
    ingest(folder / "0/job.toml", folder / "rec.h5")
    (folder / "more").mkdir()
    shutil.copy(folder / "rec.h5", folder / "more/again.h5")
    document = run_screen(folder, out)
    assert document["counts"]["judged"] == 1
    assert [c["name"] for c in document["copies"]] == ["more/again.h5", "rec.h5"]
    shutil.rmtree(folder / "0")  # now the stored one speaks
    document = run_screen(folder, out)
    assert document["counts"]["judged"] == 1
    assert document["copies"] == [{"name": "rec.h5", "of": "more/again.h5"}]


def test_limits_cost_only_the_recording_that_breaks_them(fleet, tmp_path):
    folder, out = tmp_path / "in", tmp_path / "out"
    shutil.copytree(fleet / "lane 0/0", folder / "good")
    make_endless(folder / "endless")
    document = run_screen(folder, out, "--time-limit", "4")
    assert document["counts"]["judged"] == 1
    assert [(f["name"], f["code"]) for f in document["failed"]] == [("endless/job.toml", "timeout")]
    assert run_screen(folder, out, "--time-limit", "4")["run"]["judged_now"] == 0  # put aside
    assert read_catalogue(out)["endless/job.toml"][0] == "failed"


def test_two_workers_work_at_the_same_time(tmp_path):
    # Two recordings that use up their time: one after the other they would take twice as long.
    for k in range(2):
        make_endless(tmp_path / "in" / f"{k}", k)
    settings = misfire.ScreenSettings(workers=2, time_limit_s=4.0)
    spent = []

    def note(now):
        if now.stage == "judging":
            spent.append(time.monotonic())

    fleet = misfire.screen(tmp_path / "in", tmp_path / "out", settings=settings, progress=note)
    assert [f["code"] for f in fleet.fleet["failed"]] == ["timeout", "timeout"]
    assert spent[-1] - spent[-2] < 3.0  # neither waited for the other


def test_memory_is_limited(fleet, tmp_path):
    shutil.copytree(fleet / "lane 0/0", tmp_path / "in")
    settings = misfire.ScreenSettings(memory_bytes=4 << 20)
    screening = misfire.screen(tmp_path / "in", tmp_path / "out", settings=settings)
    assert [f["code"] for f in screening.fleet["failed"]] == ["memory"]
    # A higher limit does not bring it back by itself; --retry does.
    assert not misfire.screen(tmp_path / "in", tmp_path / "out").fleet["counts"]["judged"]
    again = misfire.screen(
        tmp_path / "in", tmp_path / "out", settings=misfire.ScreenSettings(retry=True)
    )
    assert again.fleet["counts"]["judged"] == 1


def kill_children(parent, *, stop, killed):
    """Kill every worker process of a process as soon as it works, until told to stop."""
    while not stop.is_set():
        found = subprocess.run(
            ["pgrep", "-P", str(parent), "-f", "misfire.fleet.task"], capture_output=True, text=True
        )
        for pid in map(int, found.stdout.split()):
            cpu = os.sysconf("SC_CLK_TCK")
            try:
                with open(f"/proc/{pid}/stat", encoding="ascii") as file:
                    fields = file.read().rpartition(")")[2].split()
                if (int(fields[11]) + int(fields[12])) / cpu > 0.5:
                    os.kill(pid, signal.SIGKILL)
                    killed.append(pid)
            except OSError:
                continue
        time.sleep(0.02)


@pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="finds worker processes by /proc")
def test_a_process_ended_by_the_system_is_tried_once_more_alone(tmp_path):
    card = make_endless(tmp_path / "in" / "x")
    from misfire.fleet.folder import find_sources
    from misfire.fleet.key import compute_model_hash, compute_pipeline

    (tmp_path / "out/results").mkdir(parents=True)
    source = find_sources(tmp_path / "in").sources[0]
    assert source.path == str(card)
    task = {
        "op": "judge",
        "name": source.name,
        "path": source.path,
        "kind": "card",
        "files": list(source.files),
        "signature": source.signature,
        "root": str(tmp_path / "in"),
        "out": str(tmp_path / "out"),
        "pipeline": compute_pipeline(),
        "model": None,
        "model_hash": compute_model_hash(None),
        "key": "0" * 40,
        "folder": "x-0",
        "content": "0" * 64,
    }
    stop, killed = threading.Event(), []
    killer = threading.Thread(
        target=kill_children, args=(os.getpid(),), kwargs={"stop": stop, "killed": killed}
    )
    killer.start()
    pool = LocalPool(1, TaskLimits(60.0, 1 << 31))
    try:
        ((_, outcome),) = list(pool.run([task], stopped=lambda: False))
    finally:
        stop.set()
        killer.join()
        pool.close()
    assert (outcome["state"], outcome["code"]) == ("failed", "crash")
    assert "SIGKILL" in outcome["message"]
    assert len(killed) == 2


def test_a_worker_ends_with_its_starter(tmp_path):
    code = (
        "import sys, time\n"
        "from misfire.fleet.pool import IsolatedWorker, TaskLimits\n"
        "w = IsolatedWorker(TaskLimits(60.0, 1 << 30))\n"
        "print(w._process._start().pid, flush=True); time.sleep(60)\n"
    )
    starter = subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, text=True, cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": os.path.dirname(os.path.dirname(misfire.__file__))},
    )  # fmt: skip
    child = int(starter.stdout.readline())
    starter.kill()
    starter.communicate()
    for _ in range(200):
        try:
            with open(f"/proc/{child}/stat", encoding="ascii") as file:
                if file.read().rpartition(")")[2].split()[0] == "Z":
                    return
        except OSError:
            return
        time.sleep(0.05)
    pytest.fail("the worker outlived its starter")


def test_a_file_that_grows_while_it_is_read_is_tried_again(fleet, tmp_path):
    folder, out = tmp_path / "in", tmp_path / "out"
    shutil.copytree(fleet / "lane 0/0", folder)
    from misfire.fleet import screening as module

    scan = module.find_sources(folder, skip=out)
    os.utime(folder / "capture.wav", ns=(1, 1))  # after the folder was looked into
    with module.open_screen(folder, out, settings=misfire.ScreenSettings()) as run:
        screening = run.once(scan)
        assert [f["code"] for f in screening.fleet["failed"]] == ["changed"]
        assert run.once(module.find_sources(folder, skip=out)).fleet["counts"]["judged"] == 1


def test_ctrl_c_leaves_a_consistent_state_and_says_so(undisturbed, fleet, tmp_path):
    out = tmp_path / "out"
    process = start_screen(fleet, out)
    until = time.monotonic() + 60
    while not list(out.glob("results/[!.]*")) and time.monotonic() < until:
        time.sleep(0.02)
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=30)
    assert process.returncode == 130, errors
    assert "run again to go on" in errors
    assert "Traceback" not in errors
    page = (out / "fleet.html").read_text("utf-8")
    assert "Not complete" in page
    assert not list((out / "results").glob(".*"))
    run_screen(fleet, out)
    assert read_tree(out) == undisturbed[1]


def test_one_run_at_a_time(tmp_path):
    with (
        lock_folder(tmp_path),
        pytest.raises(OutputError, match="another screening"),
        lock_folder(tmp_path),
    ):
        pass
    with lock_folder(tmp_path):  # free again
        assert (tmp_path / LOCK).read_text("ascii").startswith(f"{os.getpid()}\n")


def test_without_a_lock_of_the_system_the_file_counts(tmp_path, monkeypatch):
    fcntl = pytest.importorskip("fcntl")

    def refuse(*_):
        raise OSError(37, "No locks available")

    monkeypatch.setattr(fcntl, "flock", refuse)
    with (
        lock_folder(tmp_path),
        pytest.raises(OutputError, match="another screening"),
        lock_folder(tmp_path),
    ):
        pass
    soft = tmp_path / f"{LOCK}.soft"
    assert not soft.exists()
    code = (
        "import os, sys\nfrom filelock import SoftFileLock\n"
        "lock = SoftFileLock(sys.argv[1])\nlock.acquire()\nos._exit(0)\n"
    )
    subprocess.run([sys.executable, "-c", code, str(soft)], check=True)
    assert soft.exists()
    with lock_folder(tmp_path):
        pass  # its holder is dead
    soft.write_text("1\nanother-host\n", "ascii")
    with pytest.raises(OutputError, match="another-host"), lock_folder(tmp_path):
        pass


def test_watching_takes_complete_files_only(fleet, tmp_path):
    folder, out = tmp_path / "in", tmp_path / "out"
    shutil.copytree(fleet / "lane 0/0", folder / "0")
    stop = threading.Event()
    rounds = watch(folder, out, settle_s=1.0, stopped=stop.is_set)
    seen = next(rounds)
    while not seen.fleet["counts"]["judged"]:
        seen = next(rounds)
    content = (fleet / "lane 1/1/capture.wav").read_bytes()
    (folder / "1").mkdir()
    shutil.copy(fleet / "lane 1/1/job.toml", folder / "1")

    def trickle():  # slower than the settling time in all, never still for that long
        with (folder / "1/capture.wav").open("wb", buffering=0) as file:
            for k in range(10):
                file.write(content[k * len(content) // 10 : (k + 1) * len(content) // 10])
                time.sleep(0.3)

    writer = threading.Thread(target=trickle)
    writer.start()
    seen = next(rounds)
    writer.join(timeout=0)
    assert not writer.is_alive()  # not before it was complete
    assert seen.fleet["counts"]["judged"] == 2
    assert seen.fleet["counts"]["failed"] == 0
    stop.set()
    assert list(rounds) == []
    stop.clear()  # started anew it knows them at once, and judges nothing again
    seen = next(watch(folder, out, settle_s=1.0, stopped=stop.is_set))
    assert (seen.fleet["counts"]["judged"], seen.run["judged_now"]) == (2, 0)
    assert not any(r["gone"] for v in seen.fleet["vehicles"] for r in v["recordings"])


def test_exit_status_and_output(fleet, tmp_path):
    (tmp_path / "none").mkdir()
    process = start_screen(tmp_path / "none", tmp_path / "out")
    assert process.communicate()[1].count("holds no job card") == 1
    assert process.returncode == 1
    shutil.copytree(fleet / "bad empty", tmp_path / "bad")
    process = start_screen(tmp_path / "bad", tmp_path / "out2", "--quiet")
    assert "none of 1 recordings" in process.communicate()[1]
    assert process.returncode == 1
    shutil.copytree(fleet / "lane 0/2", tmp_path / "bad/good")
    process = start_screen(tmp_path / "bad", tmp_path / "out2", "--strict")
    said, errors = process.communicate()
    assert process.returncode == 1
    assert "is empty" in errors
    lines = said.splitlines()
    assert lines[0].split("\t")[:3] == ["rank", "urgency", "vehicle"]
    assert lines[1].split("\t")[:3] == ["1", "now", "van-2"]
    process = start_screen(tmp_path / "bad", tmp_path / "bad")
    assert "choose another" in process.communicate()[1]
    assert process.returncode == 1
    process = start_screen(tmp_path / "nowhere", tmp_path / "out3")
    assert "no such folder" in process.communicate()[1]
    assert process.returncode == 1
    assert not (tmp_path / "out3").exists()


def test_wrong_settings_are_refused():
    for wrong in ({"workers": 0}, {"time_limit_s": 0.0}, {"memory_bytes": 5}):
        with pytest.raises(ParameterError):
            misfire.ScreenSettings(**wrong)
    with pytest.raises(ParameterError, match="settle"):
        next(watch("a", "b", settle_s=0.0))
    with pytest.raises(FormatError):
        misfire.screen("does not exist", "neither")


def test_a_coil_that_wears_out_is_found(tmp_path):
    start = datetime.date(2026, 1, 1)
    for k in range(7):  # a feed that loses contact: the peak current of cylinder 1 falls
        fault = FaultModel(type="weak_coil", kind="feed", cylinder=1, severity=0.04 * k + 0.01)
        card = make_good(tmp_path / "in" / f"{6 - k}", 50 + k, fault=(fault,), vehicle="worn")
        text = card.read_text("utf-8")
        day = start + datetime.timedelta(days=20 * k)
        card.write_text(text.replace("[vehicle]", f"[vehicle]\nrecorded = {day}"), "utf-8")
    fleet = misfire.screen(tmp_path / "in", tmp_path / "out").fleet
    (vehicle,) = fleet["vehicles"]
    assert vehicle["ordered_by"] == "time"
    assert [r["name"] for r in vehicle["recordings"]] == [f"{k}/job.toml" for k in range(6, -1, -1)]
    told = {(t["cylinder"], t["quantity"]): t for t in vehicle["trends"]}
    assert set(told) == {(1, "burn_time_ms"), (1, "peak_current_a")}
    for trend in told.values():
        assert trend["grade"] == "drift"
        assert trend["slope_high"] < 0
        assert trend["values"][0] > trend["values"][-1]
    assert vehicle["urgency"] in ("plan", "soon", "now")  # never passed over
    assert "Wearing out" in (tmp_path / "out/fleet.html").read_text("utf-8")


def test_the_worker_takes_up_again_after_a_failure(fleet, tmp_path):
    worker = IsolatedWorker(TaskLimits(60.0, 1 << 30), scratch=tmp_path)
    try:
        assert worker.run({"op": "nonsense"})["code"] == "fault"  # a key is missing: it dies
        assert worker.run({"op": "nonsense"})["code"] == "fault"
    finally:
        worker.close()
    assert list(tmp_path.iterdir()) == []  # its temporary folders are gone


def test_modules_in_the_working_folder_are_not_run(tmp_path):
    # a stranger's folder may hold files named like the libraries that a worker loads
    make_good(tmp_path / "in" / "one", 1)
    mark = tmp_path / "it ran"
    for name in ("jinja2", "pandas", "h5py"):
        (tmp_path / f"{name}.py").write_text(
            f"open({str(mark)!r}, 'w').close()\n", encoding="utf-8"
        )
    package = os.path.dirname(os.path.dirname(misfire.__file__))
    done = subprocess.run(
        [sys.executable, "-P", "-m", "misfire", "screen", "in", "-o", "out", "--quiet", "--json"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": package},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert not mark.exists()
    assert '"judged": 1' in done.stdout
