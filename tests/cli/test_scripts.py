"""The scripts: the version check of the set-up, and the benchmark on a very short recording."""

import json
import subprocess
import sys
import warnings
from pathlib import Path

import h5py
import pytest
from numpy.testing import assert_array_equal

from misfire.cli.app import main
from scripts import bench

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"
MEASURED = ("plain_read_s", "diagnose_s", "naive_s", "peak_mb", "naive_peak_mb")


@pytest.mark.parametrize("script", ["demo.py", "test.py"])
def test_an_old_python_is_told_in_words(script):
    code = (
        "import runpy, sys\n"
        "sys.version_info = (3, 9, 2)\n"
        f"runpy.run_path({str(SCRIPTS / script)!r}, run_name='__main__')"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=SCRIPTS, capture_output=True, text=True)
    assert done.returncode == 1
    assert "needs Python 3.11 or newer; this is Python 3.9" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.fixture(scope="module")
def source(tmp_path_factory):
    """Simulate and store a recording of two seconds."""
    folder = tmp_path_factory.mktemp("bench")
    scenario = folder / "scenario.toml"
    scenario.write_text("seed = 5\nduration_s = 2.0\n", encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "excepthook", sys.excepthook)  # main sets both; restored here
        patch.setattr(warnings, "showwarning", warnings.showwarning)
        for command in (
            ["simulate", str(scenario), "-o", str(folder / "made")],
            ["ingest", str(folder / "made" / "job.toml"), "-o", str(folder / "source.h5")],
        ):
            with pytest.raises(SystemExit) as stop:
                main(command)
            assert not stop.value.code
    return folder / "source.h5"


@pytest.mark.parametrize("form", ["store", "wav"])
def test_bench_measures(source, tmp_path, form):
    out = tmp_path / "rows.json"
    command = [sys.executable, SCRIPTS / "bench.py", "--source", source, "--form", form]
    done = subprocess.run(
        [*command, "--minutes", "0.1", "--folder", tmp_path, "-o", out],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    (row,) = json.loads(out.read_text("utf-8"))["rows"]
    assert row["recording_s"] == pytest.approx(6.0)
    assert row["samples"] == pytest.approx(6.0 * 3 * 200e3, rel=1e-3)  # 3 channels at 200 kS/s
    assert all(row[name] is None or row[name] > 0 for name in MEASURED)
    assert [path.name for path in tmp_path.iterdir()] == ["rows.json"]  # the rest is cleared away


def test_tiling_repeats_the_recording(source, tmp_path):
    target = tmp_path / "tiled.h5"
    assert bench.tile_store(source, target, n_copies=3) == pytest.approx(6.0)
    with h5py.File(source) as old, h5py.File(target) as new:
        for name, dataset in old["channels"].items():
            once, thrice = dataset[:], new["channels"][name][:]
            assert thrice.size == 3 * once.size
            for i in range(3):
                assert_array_equal(thrice[i * once.size : (i + 1) * once.size], once)
        assert new["job_card"][()] == old["job_card"][()]
