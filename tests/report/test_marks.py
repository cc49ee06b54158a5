"""Marks set against lost combustions: a wiggle test is found, chance is not."""

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from misfire.diagnosis.chain import diagnose, ingest
from misfire.records import JobMark
from misfire.report.diagnosis.page import format_page
from misfire.report.diagnosis.sources import list_sources
from misfire.report.diagnosis.table import format_table
from misfire.report.marks import NEAR_S, compute_chance, share_counts, weigh_marks
from misfire.report.pictures.waveforms import Marks
from misfire.report.summary import build_summary
from misfire.simulate.engine.faults import FaultClock
from misfire.simulate.recording import simulate
from misfire.simulate.scenario import ChannelModel, FaultModel, Scenario
from misfire.simulate.writer import write_recording
from tests.builders.diagnoses import make_diagnosis, make_quiet_diagnosis

# A lead is wiggled six times in a minute; while it moves it makes no contact for a moment.
WIGGLED_S = (7.0, 16.0, 24.0, 33.0, 43.0, 52.0)
TOUCHED_S = (3.0, 12.0, 20.0, 29.0, 38.0, 48.0)  # another lead, moved in between: nothing happens


@pytest.fixture(scope="module")
def wiggled(tmp_path_factory):
    """A recording of a wiggle test, with its marks in a table beside the card."""
    folder = tmp_path_factory.mktemp("wiggled")
    scenario = Scenario(
        seed=77,
        duration_s=60.0,
        channel=(
            ChannelModel(role="coil_primary", cylinders=(3,), range=500.0),
            ChannelModel(role="crank", range=100.0),
        ),
        fault=(FaultModel(type="open_secondary", kind="lead", cylinder=3, rate=0.5),),
    )

    def is_active(self, *, load, time_s, duration_s):
        return any(at <= time_s < at + 0.9 for at in WIGGLED_S)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(FaultClock, "is_active", is_active)
        write_recording(simulate(scenario), folder)
    rows = [(at + 0.7, "lead 3 wiggled") for at in WIGGLED_S]
    rows += [(at + 0.7, "lead 1 wiggled") for at in TOUCHED_S]
    table = "time_s,text\n" + "".join(f"{at},{text}\n" for at, text in rows)
    (folder / "marks.csv").write_text(table, encoding="utf-8")
    card = folder / "job.toml"
    text = card.read_text(encoding="utf-8") + '\n[[mark]]\nfile = "marks.csv"\n'
    sheet = '[vehicle]\nrecorded = 2026-03-01T20:15:00\nodometer_km = 84210\ntechnician = "A. M."'
    card.write_text(text.replace("[vehicle]", sheet), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def found(wiggled):
    return diagnose(wiggled / "job.toml")


def test_a_wiggle_test_is_found(found):
    marks, kinds = weigh_marks(found)
    chance = {kind.text: kind.chance for kind in kinds}
    assert kinds[0].text == "lead 3 wiggled"
    assert chance["lead 3 wiggled"] < 0.01
    assert chance["lead 1 wiggled"] > 0.05
    assert (kinds[0].marks, kinds[0].hits) == (6, 6)
    near = [m for m in marks if m.text == "lead 3 wiggled"]
    assert all(max(m.of, key=m.of.get) == 3 for m in near)
    assert sum(m.of[3] for m in near) >= 0.95 * sum(m.lost for m in near)


def test_marks_and_sheet_reach_every_reader(found):
    document = json.loads(json.dumps(build_summary(found)))
    assert document["sheet"]["odometer_km"] == 84210
    assert document["sheet"]["recorded"] == "2026-03-01T20:15:00"
    assert [m["text"] for m in document["marks"][:2]] == ["lead 1 wiggled", "lead 3 wiggled"]
    page, console = format_page(found), format_table(found)
    for text in (page, console):
        assert "lead 3 wiggled" in text
        assert "they belong together" in text
        assert "2026-03-01 20:15:00" in text
    assert 'class="noted"' in page
    assert "not read from the vehicle" in page


def test_the_rows_of_the_losses_are_told(found):
    numbers = list_sources(found, panel=None, marks=Marks())
    told = next(n for n in numbers if "lost near the marks “lead 3 wiggled”" in n.meaning)
    assert len(found.events.query(told.rows, engine="python")) == int(told.number) > 0


def test_marks_stay_with_the_stored_recording(wiggled, tmp_path, found):
    stored = tmp_path / "rec.h5"  # without the table of marks beside it
    ingest(wiggled / "job.toml", stored)
    again = diagnose(stored)
    assert again.job.marks == found.job.marks
    assert again.job.sheet == found.job.sheet
    assert weigh_marks(again) == weigh_marks(found)


def test_marks_at_random_moments_are_seldom_significant():
    # the chance told must hold: of 400 sets of marks made at random, about 1 % are below 1 %
    made = make_diagnosis()
    rng = np.random.default_rng(5)
    low = 0
    for _ in range(400):
        at = np.sort(rng.uniform(0.0, made.duration_s, 6))
        job = replace(made.job, marks=tuple(JobMark(float(t), "felt") for t in at))
        (kind,) = weigh_marks(replace(made, job=job))[1]
        low += kind.chance < 0.01
    assert low <= binom.ppf(0.999, 400, 0.01)


def test_the_chance_of_single_losses_is_the_binomial_s():
    # closed form: losses at 100 and 300 s cover 2 x 4 s of the recording; 2 of 3 marks are near
    made = make_quiet_diagnosis()
    events = made.events.copy()
    times = events["time_s"].to_numpy()
    rows = [int(np.argmin(np.abs(times - at))) for at in (100.0, 300.0)]
    events["misfire_probability"] = 0.0
    events.loc[rows, "misfire_probability"] = 0.9
    span = times.max() - times.min()
    marks = tuple(JobMark(at, "felt") for at in (101.0, 200.0, 299.5))
    (kind,) = weigh_marks(replace(made, events=events, job=replace(made.job, marks=marks)))[1]
    assert kind.hits == 2
    assert kind.chance == pytest.approx(binom.sf(1, 3, 4 * NEAR_S / span), rel=1e-6)


@pytest.mark.parametrize(("n_marks", "lost"), [(1, 3), (2, 9), (5, 14), (7, 1)])
def test_the_chance_is_what_drawing_gives(n_marks, lost):
    # slow and obvious: marks are drawn, losses near them counted
    rng = np.random.default_rng(3)
    lost_s = np.sort(np.concatenate([rng.uniform(0, 300, 20), 150 + rng.uniform(0, 2, 9)]))
    at = rng.uniform(0.0, 300.0, (40_000, n_marks))
    ends = (np.searchsorted(lost_s, at + NEAR_S), np.searchsorted(lost_s, at - NEAR_S))
    often = float(np.mean((ends[0] - ends[1]).sum(axis=1) >= lost))
    share = share_counts(lost_s, 0.0, 300.0)
    error = 4 * np.sqrt(often * (1 - often) / 40_000)
    assert compute_chance(share, n_marks, lost) == pytest.approx(often, abs=error + 1e-4)


def test_a_mark_beyond_the_recording_is_said():
    made = make_quiet_diagnosis()
    job = replace(made.job, marks=(JobMark(9e5, "felt"),))
    marks, kinds = weigh_marks(replace(made, job=job))
    assert marks[0].lost is None
    assert kinds == ()
    assert "outside of the firings" in format_page(replace(made, job=job))


def test_without_marks_the_page_speaks_of_none():
    assert "Marks" not in format_page(make_quiet_diagnosis())
