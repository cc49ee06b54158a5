"""Logic captures of real engines through a job card: teeth, speed, cam, order of coil commands.

What is expected stands in PROVENANCE.md beside the captures. A row of the captures is a level
change, so the readers take them as level changes.
"""

import csv
import gzip
import itertools
import re
from pathlib import Path

import numpy as np
import pytest

from misfire.measuring.evidence import measure
from misfire.measuring.opening import open_recording

REAL = Path(__file__).resolve().parents[3] / "shared" / "real"
pytestmark = pytest.mark.skipif(
    not (REAL / "triggers").exists(), reason="recordings of real engines are not here"
)
FOUR = "cylinders = 4\nfiring_order = [1, 3, 4, 2]\nignition = "
SIX = "cylinders = 6\nfiring_order = [1, 2, 3, 4, 5, 6]\nignition = "
WHEEL_36_2_2_2 = "positions = 36\ngaps = [[11, 12], [23, 24], [35, 36]]\n"


def measure_capture(folder, file, engine, channels, *, wheel=""):
    """Measure a capture by a card of its own; `channels`: (role, column)."""
    (folder / Path(file).name).symlink_to(REAL / "triggers" / file)
    card = f'[vehicle]\nid = "capture"\n\n[engine]\n{engine}\n'
    card += f"\n[crank_wheel]\n{wheel}" if wheel else ""
    for role, column in channels:
        card += f'\n[[channel]]\nrole = "{role}"\nfile = "{Path(file).name}"\n'
        card += f'column = {column}\nunit = "bool"\nname = "{role} {column}"\n'
    (folder / "job.toml").write_text(card)
    recording = open_recording(folder / "job.toml", allow_outside=True)
    try:
        return measure(recording)
    finally:
        recording.close()


def teeth_per_turn(track):
    """Teeth in each complete revolution."""
    turn = np.floor(track.angle_deg / 360 + 1e-9).astype(int)
    counts = np.bincount(turn - turn.min())
    return set(counts[counts > 0][1:-1].tolist())


@pytest.mark.parametrize("card", ["", "positions = 60\nmissing = 2\n"], ids=["worked out", "given"])
def test_60_2_from_cranking_to_idle(tmp_path, card):
    found = measure_capture(
        tmp_path, "nick_1.csv", FOUR + '"distributor"', [("crank", 1)], wheel=card
    )
    assert teeth_per_turn(found.track) == {58}
    rpm = found.firings.rpm
    assert 220 < np.nanmedian(rpm[4:20]) < 270  # cranking, about 245
    assert 1680 < np.nanmedian(rpm[-5:]) < 1710  # 1689 to 1700 at the end


@pytest.mark.parametrize("card", ["", "positions = 36\nmissing = 2\n"], ids=["worked out", "given"])
def test_36_2_with_a_cam_of_three_teeth(tmp_path, card):
    found = measure_capture(
        tmp_path,
        "toyota_3_tooth_cam.csv",
        FOUR + '"coil_on_plug"',
        [("crank", 1), ("cam", 2)],
        wheel=card,
    )
    assert teeth_per_turn(found.track) == {34}
    assert 1500 < np.nanmin(found.firings.rpm) < np.nanmax(found.firings.rpm) < 1615
    # three rises in two revolutions, each always at its place of the cycle
    angle = np.interp(found.detected.cam_rise_s, found.track.time_s, found.track.angle_deg) % 720.0
    inside = (found.detected.cam_rise_s > found.track.time_s[0]) & (
        found.detected.cam_rise_s < found.track.time_s[-1]
    )
    places = np.sort(angle[inside])
    assert np.sum(np.diff(places) > 20.0) + 1 == 3


def test_36_2_1(tmp_path):
    found = measure_capture(tmp_path, "4b11-running.csv", FOUR + '"coil_on_plug"', [("crank", 1)])
    assert teeth_per_turn(found.track) == {33}
    assert 1390 < np.nanmin(found.firings.rpm) < np.nanmax(found.firings.rpm) < 1445


@pytest.mark.parametrize("card", ["", WHEEL_36_2_2_2], ids=["worked out", "given"])
def test_36_2_2_2_with_gaps_alike(tmp_path, card):
    # Ten intervals between gaps: where the revolution begins cannot be told, speed and the
    # three compressions of a revolution can.
    found = measure_capture(
        tmp_path,
        "nissan_vq40_cranking-1.csv",
        SIX + '"coil_on_plug"',
        [("crank", 1), ("cam", 2)],
        wheel=card,
    )
    assert teeth_per_turn(found.track) == {30}
    assert 215 < np.nanmedian(found.firings.rpm) < 255  # about 235
    assert not found.firings.resolved
    assert "revolution_unknown" in {f.code for f in found.findings}
    if not card:
        # by its gaps it may be a wheel of twelve positions; three compressions a turn say no
        message = next(f.message for f in found.findings if f.code == "wheel_found")
        assert "36-2-2-2, 30 teeth" in message


def test_noisy_cranking(tmp_path):
    text = (REAL / "triggers/noisy-trigger-1.csv").read_text()
    (tmp_path / "noisy.csv").write_text("time,level\n" + text)
    card = f"[vehicle]\nid = \"capture\"\n\n[engine]\n{FOUR}'coil_on_plug'\n"
    card += "\n[crank_wheel]\npositions = 36\nmissing = 2\n"
    card += '\n[[channel]]\nrole = "crank"\nfile = "noisy.csv"\ncolumn = 1\nunit = "bool"\n'
    (tmp_path / "job.toml").write_text(card)
    recording = open_recording(tmp_path / "job.toml")
    try:
        assert teeth_per_turn(measure(recording).track) == {34}
    finally:
        recording.close()


def test_two_coil_commands_alternate(tmp_path):
    # Without names: two waste-spark coils, every 180 degrees of crank, one after the other.
    found = measure_capture(
        tmp_path,
        "cranking_na_3.csv",
        FOUR + '"wasted_spark"',
        [("crank", 1), ("coil_trigger", 3), ("coil_trigger", 4)],
    )
    first, second = (t.strokes["stop_s"] for t in found.detected.trains)
    order = np.argsort(np.concatenate((first, second)), kind="stable")
    source = (order >= first.size).astype(int)
    assert np.mean(np.diff(source) != 0) > 0.95
    message = next(f.message for f in found.findings if f.code == "coil_order")
    apart = [float(v) for v in re.findall(r"after (\d+) degrees", message)[-2:]]
    assert apart == pytest.approx([180.0, 180.0], abs=4.0)


def test_six_cylinders_coil_order(tmp_path):
    # Charts of about two revolutions, each with a zero of its own: one behind the other, with
    # pauses, they make one capture that loses sync between them.
    charts = {}
    with gzip.open(REAL / "six_60_2/e34_60_2_events.csv.gz", "rt") as file:
        for row in csv.DictReader(file):
            charts.setdefault(row["chart"], []).append((float(row["t_10us"]) * 1e-5, row))
    names = ("c1", "spa1", "spa5", "spa3")
    level = dict.fromkeys(names, 0)
    lines, begin_s, begins = ["time," + ",".join(names)], 0.0, []
    whole = 0  # charts that hold a revolution from gap to gap
    for rows in charts.values():
        rows = sorted(rows, key=lambda r: r[0])
        begins.append(begin_s)
        for time_s, group in itertools.groupby(rows, key=lambda r: r[0]):
            level |= {
                r["channel"]: int(r["edge"] == "u") for _, r in group if r["channel"] in level
            }
            lines.append(f"{begin_s + time_s:.5f}," + ",".join(str(level[n]) for n in names))
        pitch_s = np.diff([t for t, r in rows if (r["channel"], r["edge"]) == ("c1", "u")])
        whole += int(np.sum(pitch_s > 2.0 * np.median(pitch_s)) >= 2)
        level = dict.fromkeys(names, 0)  # what a chart ends with is not what the next begins with
        lines.append(f"{begin_s + rows[-1][0] + 0.5:.5f}" + ",0" * len(names))
        begin_s += rows[-1][0] + 1.0
    (tmp_path / "log.csv").write_text("\n".join(lines) + "\n")
    card = '[vehicle]\nid = "six"\n\n[engine]\ncylinders = 6\n'
    card += 'firing_order = [1, 5, 3, 6, 2, 4]\nignition = "wasted_spark"\n'
    card += "\n[crank_wheel]\npositions = 60\nmissing = 2\n"
    for role, name in zip(("crank", *["coil_trigger"] * 3), names, strict=True):
        card += f'\n[[channel]]\nrole = "{role}"\nfile = "log.csv"\ncolumn = "{name}"\n'
        card += f'unit = "bool"\nname = "{name}"\n'
    (tmp_path / "job.toml").write_text(card)
    recording = open_recording(tmp_path / "job.toml")
    try:
        found = measure(recording)
    finally:
        recording.close()
    # revolutions from gap to gap have 58 teeth
    turn = np.floor(found.track.angle_deg / 360 + 1e-9).astype(int) + 10**6 * found.track.stretch
    _, teeth = np.unique(turn, return_counts=True)
    assert teeth.max() == 58
    assert np.sum(teeth == 58) >= 0.9 * whole > 100
    stops = sorted((s, t.channel.name) for t in found.detected.trains for s in t.strokes["stop_s"])
    chart = np.searchsorted(begins, [s for s, _ in stops])
    pairs = [
        f"{a[1]}-{b[1]}"
        for (a, b), k, m in zip(itertools.pairwise(stops), chart, chart[1:], strict=False)
        if k == m
    ]
    right = sum(pair in ("spa1-spa5", "spa5-spa3", "spa3-spa1") for pair in pairs)
    assert len(pairs) > 450
    assert right / len(pairs) > 0.98  # 550 of 554
