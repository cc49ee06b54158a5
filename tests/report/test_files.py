import csv
import hashlib
import io
import json
import os
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from misfire.errors import OutputError
from misfire.records import EVENT_COLUMNS
from misfire.report.diagnosis.files import format_csv, format_parquet, write_reports
from tests.builders.diagnoses import make_diagnosis, make_events

NAMES = {"result.json", "events.parquet", "misfires.csv", "report.html"}


def digests(folder):
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir()}


def test_all_files_and_nothing_else(tmp_path):
    paths = write_reports(make_diagnosis(), tmp_path / "deep" / "out")
    assert {p.name for p in paths} == NAMES
    assert {p.name for p in (tmp_path / "deep" / "out").iterdir()} == NAMES
    assert all(p.stat().st_size for p in paths)


def test_the_same_diagnosis_gives_the_same_bytes(tmp_path):
    write_reports(make_diagnosis(), tmp_path / "a")
    write_reports(make_diagnosis(), tmp_path / "b")
    assert digests(tmp_path / "a") == digests(tmp_path / "b")


def test_an_earlier_run_is_replaced_and_other_files_stay(tmp_path):
    (tmp_path / "result.json").write_text("old")
    (tmp_path / "mine.txt").write_text("keep")
    write_reports(make_diagnosis(), tmp_path)
    assert json.loads((tmp_path / "result.json").read_text())["verdict"] == "misfire"
    assert (tmp_path / "mine.txt").read_text() == "keep"
    assert {p.name for p in tmp_path.iterdir()} == NAMES | {"mine.txt"}


def test_events_come_back_as_they_were(tmp_path):
    diagnosis = make_diagnosis()
    write_reports(diagnosis, tmp_path)
    back = pd.read_parquet(tmp_path / "events.parquet")
    assert tuple(back.columns) == EVENT_COLUMNS
    texts = ("flags", "spark", "work")
    for name in EVENT_COLUMNS:
        if name in texts:
            assert back[name].tolist() == diagnosis.events[name].tolist()
            continue
        assert back[name].dtype == np.float64
        np.testing.assert_array_equal(back[name], diagnosis.events[name].astype(float))
    assert back["misfire_probability"].isna().sum() == 4


def test_nan_stays_nan_and_is_not_null():
    import pyarrow.parquet as pq

    events, _, _ = make_events()
    events["peak_current_a"] = np.nan
    table = pq.read_table(io.BytesIO(format_parquet(make_diagnosis(events=events))))
    assert table["peak_current_a"].null_count == 0
    assert np.isnan(table["peak_current_a"].to_numpy()).all()


def test_misfires_csv_holds_the_lost_and_the_abnormal():
    events, _, _ = make_events()
    spare = events.index[(events["cylinder"] == 2) & (events["cycle"] == 50)][0]
    events.loc[spare, ["flags", "burn_time_ms", "misfire_probability"]] = ["no_breakdown", 0, 0.1]
    rows = list(csv.DictReader(io.StringIO(format_csv(make_diagnosis(events=events)))))
    assert tuple(rows[0]) == ("reason", *EVENT_COLUMNS)
    assert sum(r["reason"] == "lost" for r in rows) == 57
    abnormal = [r for r in rows if r["reason"] == "abnormal"]
    assert [(r["cylinder"], r["flags"], r["burn_time_ms"]) for r in abnormal] == [
        ("2", "no_breakdown", "0")
    ]
    times = [float(r["time_s"]) for r in rows]
    assert times == sorted(times)
    assert float(abnormal[0]["time_s"]) == pytest.approx(events.loc[spare, "time_s"], abs=1e-6)


# Cells that start like this are run as formulas by spreadsheets (OWASP "CSV Injection").
@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n"])
def test_no_cell_of_the_csv_is_a_formula(start):
    events, _, _ = make_events()
    hit = events.index[events["misfire_probability"] >= 0.5][0]
    events.loc[hit, "flags"] = f'{start}HYPERLINK("x")'
    rows = list(csv.DictReader(io.StringIO(format_csv(make_diagnosis(events=events)), newline="")))
    cells = [r["flags"] for r in rows if "HYPERLINK" in r["flags"]]
    assert len(cells) == 1
    assert cells[0].startswith("'")


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "out").write_text("x")
    with pytest.raises(OutputError, match="another output folder"):
        write_reports(make_diagnosis(), tmp_path / "out")
    assert (tmp_path / "out").read_text() == "x"


def test_a_folder_in_the_place_of_a_file_is_refused_before_anything_changes(tmp_path):
    (tmp_path / "report.html").mkdir()
    (tmp_path / "result.json").write_text("old")
    with pytest.raises(OutputError, match=r"report\.html"):
        write_reports(make_diagnosis(), tmp_path)
    assert (tmp_path / "result.json").read_text() == "old"
    assert {p.name for p in tmp_path.iterdir()} == {"report.html", "result.json"}


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_without_permission_is_refused(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(OutputError, match="Permission"):
        write_reports(make_diagnosis(), tmp_path / "out")


@pytest.mark.parametrize("failing_call", [1, 3, 4])
def test_a_full_disk_leaves_no_half_written_file(tmp_path, monkeypatch, failing_call):
    calls = []

    def fail(descriptor):
        calls.append(descriptor)
        if len(calls) == failing_call:
            raise OSError(28, "No space left on device")

    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "result.json").write_text("old")
    monkeypatch.setattr("os.fsync", fail)
    for folder in (tmp_path / "out", tmp_path / "new"):
        calls.clear()
        with pytest.raises(OutputError, match="No space left"):
            write_reports(make_diagnosis(), folder)
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["result.json"]
    assert (tmp_path / "out" / "result.json").read_text() == "old"
    assert not (tmp_path / "new").exists()


def test_events_without_a_column_are_refused():
    events, _, _ = make_events()
    diagnosis = replace(make_diagnosis(), events=events.drop(columns="burn_time_ms"))
    for write in (format_parquet, format_csv):
        with pytest.raises(OutputError, match="burn_time_ms"):
            write(diagnosis)
