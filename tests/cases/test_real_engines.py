"""Recordings of a real single-cylinder engine whose cylinder pressure says which cycles were lost.

Facts of the recordings (teeth, TDC, lost cycles) stand in PROVENANCE.md beside them.
"""

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import spearmanr

from misfire.cycles.assign import find_firings
from misfire.cycles.phase import Phase
from misfire.diagnosis.chain import diagnose
from misfire.errors import MisfireError
from misfire.features.torque import compute_torque, measure_gains
from misfire.measuring.detection import detect_events
from misfire.measuring.opening import open_recording

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "real" / "single_60_2"

pytestmark = pytest.mark.skipif(
    not (FOLDER / "pressure_truth.csv").exists(), reason="the recordings are not beside the project"
)

# Compression TDC after the first rising edge past the gap, of the revolution it falls in here
# (the pressure's own TDC tells which): A about 40, B about 74, C 187 to 190.
TDC_DEG = {
    "A_train_no_load": 40.0,
    "B_E0_full_1": 74.0,
    "B_E0_half_4": 74.0,
    "B_E0_no_1": 74.0,
    "B_E0_no_4": 434.0,
    "B_E0_no_5": 74.0,
}
# Cycles that the pressure shows lost or very late, the least productive first [s].
LOST = {"B_E0_no_1": [0.078], "B_E0_no_4": [0.256, 0.375], "B_E0_no_5": [0.120, 0.238]}


def read_pressure(name):
    """Times of compression TDC and work of each cycle (expansion minus compression)."""
    with (FOLDER / "pressure_truth.csv").open() as file:
        rows = [r for r in csv.DictReader(file) if r["file"] == name]
    time_s = np.array([float(r["t_compression_tdc_s"]) for r in rows])
    return time_s, np.array([float(r["p_exp_minus_comp_V"]) for r in rows])


@pytest.fixture(scope="module")
def diagnoses():
    return {name: diagnose(FOLDER / f"{name}.toml") for name in (*TDC_DEG, "C_coast_1")}


class TestDiagnose:
    """As the job cards are: neither TDC nor a coil is known."""

    @pytest.mark.parametrize("name", TDC_DEG)
    def test_every_cycle_has_its_row(self, diagnoses, name):
        time_s, _ = read_pressure(name)
        found = diagnoses[name]
        assert abs(len(found.events) - time_s.size) <= 1
        cycle_s = np.median(np.diff(time_s))
        assert found.rpm == pytest.approx(120.0 / cycle_s, rel=0.03)
        np.testing.assert_allclose(np.diff(found.events["time_s"]), cycle_s, rtol=0.03)

    @pytest.mark.parametrize("name", LOST)
    def test_lost_cycles_are_the_least_productive(self, diagnoses, name):
        # TDC and the compression revolution come from the half order of the crank speed alone.
        events = diagnoses[name].events
        rank = events["segment_accel"].rank().to_numpy()
        named = LOST[name] if name != "B_E0_no_4" else LOST[name][:1]
        for at_s in named:
            away_s = np.abs(events["time_s"].to_numpy() - at_s)
            assert away_s.min() < 2e-3  # 36 degrees at 3000 rev/min: the right revolution
            assert rank[away_s.argmin()] <= len(named)

    @pytest.mark.parametrize("name", [n for n in TDC_DEG if n not in LOST])
    def test_engines_that_burn_are_not_accused(self, diagnoses, name):
        assert diagnoses[name].verdict != "misfire"

    def test_coasting_down(self, diagnoses):
        # no combustion at all, three cycles: nothing may be concluded
        assert diagnoses["C_coast_1"].verdict == "inconclusive"
        assert np.all(np.diff(diagnoses["C_coast_1"].rpm) < 0)

    def test_sensor_unplugged(self):
        # refused or inconclusive, either way told
        try:
            verdict, said = diagnose(FOLDER / "C_neg_no_encoder.toml").verdict, ""
        except MisfireError as error:
            verdict, said = "", str(error)
        assert verdict == "inconclusive" or "crank" in said
        assert "\n" not in said


@pytest.fixture(scope="module")
def work():
    """Crank acceleration of each pressure cycle, TDC given."""
    found, lacks = {}, {}
    for name, tdc_deg in TDC_DEG.items():
        recording = open_recording(FOLDER / f"{name}.toml")
        track = detect_events(recording).track
        engine = recording.job.engine
        phase = Phase(tdc_deg, {int(s): 0.0 for s in np.unique(track.stretch)}, True, True, "given")
        firings = find_firings(track, [], engine=engine, phase=phase)
        table = compute_torque(measure_gains(track, firings, engine=engine), firings, engine=engine)
        time_s, pressure = read_pressure(name)
        row = np.abs(firings.tdc_s[None, :] - time_s[:, None]).argmin(axis=1)
        away = np.abs(firings.tdc_s[row] - time_s)
        accel = np.where(away < 3e-3, table.accel[row], np.nan)
        gain = np.where(away < 3e-3, -table.gain_deficit[row], np.nan)
        found[name] = (time_s, pressure, accel, gain)
        lacks[name] = np.where(away < 3e-3, table.lack[row], np.nan)
    found["lack"] = lacks
    return found


class TestTorqueWithTdcGiven:
    @pytest.mark.parametrize("name", LOST)
    def test_rank_of_the_lost_cycles(self, work, name):
        time_s, _, accel, _ = work[name]
        order = np.argsort(np.where(np.isfinite(accel), accel, np.inf))
        ranks = [
            int(np.flatnonzero(order == np.abs(time_s - t).argmin())[0]) + 1 for t in LOST[name]
        ]
        print(name, "ranks of the lost cycles", ranks, "of", int(np.isfinite(accel).sum()))  # noqa: T201
        assert sorted(ranks) == list(range(1, len(ranks) + 1))

    @pytest.mark.parametrize("name", TDC_DEG)
    def test_lost_means_lost(self, work, name):
        # in units of a combustion that the crank alone gives; the pressure says what was lost
        # (below 0.45 of its file's median) and what burnt as usual
        _, pressure, _, _ = work[name]
        lack, share = work["lack"][name], pressure / np.median(pressure)
        known = np.isfinite(lack)
        if name in LOST:
            assert np.min(lack[known & (share < 0.45)]) > 0.5
        assert np.max(lack[known & (share > 0.7)]) < 0.5

    @pytest.mark.parametrize(
        ("name", "least"),
        [
            ("A_train_no_load", 0.7),
            ("B_E0_half_4", 0.7),
            ("B_E0_no_1", 0.9),
            ("B_E0_no_4", 0.9),
            ("B_E0_no_5", 0.9),
        ],
    )
    def test_order_of_all_cycles(self, work, name, least):
        # rank correlation with the pressure's own measure of work; full load varies too little
        _, pressure, accel, gain = work[name]
        known = np.isfinite(accel) & np.isfinite(gain)
        assert known.sum() >= 10
        assert spearmanr(accel[known], pressure[known]).statistic >= least
        assert spearmanr(gain[known], pressure[known]).statistic >= 0.7
