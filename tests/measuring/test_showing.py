"""One firing as a picture, checked against the truth of a simulated recording."""

import json
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from misfire.errors import ParameterError
from misfire.measuring.opening import open_recording
from misfire.measuring.showing import cut_recording, show_firing
from misfire.report.pictures.firing_files import check_picture, write_picture
from misfire.resources import find_resource
from misfire.simulate import Scenario, simulate, write_recording

DEMO = find_resource("data_demo")


def test_a_cut_reads_the_same_samples_at_the_same_instants():
    whole = open_recording(DEMO / "job.toml", hash_source=False)
    try:
        part = cut_recording(whole, 10.0, 10.5)
        for old, new in zip(whole.channels, part.channels, strict=True):
            first = round((new.start_s - old.start_s) * old.rate_hz)
            assert abs(new.n_samples - 0.5 * old.rate_hz) <= 2
            assert np.array_equal(
                part.read(new.name, 5, 300), whole.read(old.name, first + 5, first + 300)
            )
    finally:
        whole.close()


def test_the_marks_lie_where_the_truth_has_them(tmp_path):
    made = simulate(Scenario(seed=4, duration_s=8.0))
    job = write_recording(made, tmp_path / "made")
    events = made.truth["events"]
    rows = [i for i, c in enumerate(events["cylinder"]) if c == 1]
    i = rows[len(rows) // 2]
    view = show_firing(job, time_s=events["time_s"][i], cylinder=1)
    assert view.cylinder == 1
    assert view.time_s == pytest.approx(events["time_s"][i], abs=50e-6)
    primary = next(c for c in view.near if c.role == "coil_primary")
    marks = {m.name: m.at_ms for m in primary.marks}
    assert marks["dwell start"] == pytest.approx(-events["dwell_ms"][i], abs=0.05)
    assert marks["end of burn"] - marks["breakdown"] == pytest.approx(
        events["burn_time_ms"][i], abs=0.08
    )
    crank = next(c for c in view.far if c.role == "crank")
    pitch = np.median(np.diff(crank.teeth_ms))
    assert len(crank.gaps_ms) >= 1
    for start, stop in crank.gaps_ms:  # two missing teeth of 60: three pitches
        assert (stop - start) / pitch == pytest.approx(3.0, abs=0.15)
    out = tmp_path / "out"
    write_picture(view, out / "firing.svg")
    words = "".join(ET.parse(out / "firing.svg").getroot().itertext())
    for name in ("dwell start", "switch-off", "breakdown", "end of burn", "TDC", "gap"):
        assert name in words
    assert [p.name for p in out.iterdir()] == ["firing.svg"]


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"time_s": 900.0}, "outside the recording"),
        ({"time_s": -1.0}, "outside the recording"),
        ({"time_s": 5.0, "cylinder": 9}, "cylinders 1 to 4"),
        ({}, "either --time or --firing"),
        ({"time_s": 5.0, "firing": 3}, "either --time or --firing"),
    ],
)
def test_what_is_not_there_is_refused(asked, said):
    with pytest.raises(ParameterError, match=said):
        show_firing(DEMO / "job.toml", **asked)


def test_only_pictures_that_can_be_made(tmp_path):
    with pytest.raises(ParameterError, match=r"\.svg or \.png"):
        check_picture(tmp_path / "firing.gif")


def test_an_open_lead_is_marked_at_the_height_that_its_kick_reached():
    # demo: cylinder 3 fires into an open lead in bursts (scenario.toml); its truth says when
    lost = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["lost"]
    view = show_firing(DEMO / "job.toml", time_s=lost[3]["time_s"], cylinder=3)
    primary = next(c for c in view.near if c.role == "coil_primary")
    mark = next(m for m in primary.marks if m.name == "no breakdown")
    assert mark.said.startswith("(over ")
    near = primary.values[np.abs(primary.time_ms - mark.at_ms) < 0.03]
    assert mark.value == pytest.approx(near.max(), rel=0.1)
