"""The sentences name the values that differ, against the right reference, and nothing else."""

import numpy as np
import pandas as pd
import pytest

from misfire.records import EVENT_COLUMNS
from misfire.report.diagnosis.evidence import write_evidence

N = 200


def tables(**values):
    """Four cylinders that are alike but for what is given by column, cylinder or row mask."""
    rng = np.random.default_rng(6)
    cylinder = np.tile([1, 3, 4, 2], N // 4)
    events = pd.DataFrame({name: np.nan for name in EVENT_COLUMNS}, index=range(N))
    events["cylinder"] = cylinder
    usual = {
        "dwell_ms": 3.0,
        "peak_current_a": 7.5,
        "firing_voltage_kv": 12.0,
        "burn_time_ms": 1.5,
        "burn_voltage_kv": 1.1,
        "segment_accel": 40.0,
        "misfire_probability": 0.01,
    }
    for name, value in usual.items():
        events[name] = value * (1 + 0.01 * rng.normal(size=N))
    extras = pd.DataFrame(
        {
            "lost": np.zeros(N, bool),
            "no_breakdown": 0.0,
            "no_dwell": 0.0,
            "torque_deficit_z": 0.5 * rng.normal(size=N),
            "ramp_step_a": 0.02 * rng.normal(size=N),
        }
    )
    for name, (rows, value) in values.items():
        target = events if name in EVENT_COLUMNS else extras
        target.loc[rows, name] = value
    return events, extras


def own_rows(cylinder, *, every=1):
    return np.flatnonzero(np.tile([1, 3, 4, 2], N // 4) == cylinder)[::every]


class TestWriteEvidence:
    @pytest.mark.parametrize("cylinder", [1, 2, 3, 4])
    def test_nothing_to_say_of_a_sound_cylinder(self, cylinder):
        assert write_evidence(*tables(), cylinder) == ()

    def test_lost_firings_against_own_good_ones(self):
        rows = own_rows(3, every=5)
        events, extras = tables(
            lost=(rows, True), burn_time_ms=(rows, 0.61), misfire_probability=(rows, 0.97)
        )
        text = " | ".join(write_evidence(events, extras, 3))
        assert "10 of 50 power strokes lost (20.0 %)" in text
        assert "burn time 0.61 ms against 1.50 ms in its own good firings" in text
        for word in ("dwell", "peak primary", "firing voltage", "step"):
            assert word not in text
        assert write_evidence(events, extras, 1) == ()

    @pytest.mark.parametrize(
        ("column", "value", "sentence"),
        [
            ("dwell_ms", 2.4, "dwell 2.40 ms against 3.00 ms in the other cylinders"),
            ("peak_current_a", 5.2, "peak primary current 5.20 A against 7.50 A"),
            ("firing_voltage_kv", 21.0, "firing voltage 21.0 kV against 12.0 kV"),
            ("burn_voltage_kv", 1.9, "burn voltage 1.90 kV against 1.10 kV"),
        ],
    )
    def test_always_different_from_the_others(self, column, value, sentence):
        (said,) = write_evidence(*tables(**{column: (own_rows(2), value)}), 2)
        assert said.startswith(sentence)

    def test_a_usual_spark_is_told_where_no_measure_of_it_is_odd(self):
        rows = own_rows(3, every=5)
        lost = {"lost": (rows, True), "misfire_probability": (rows, 0.97)}
        told = "the spark was as usual in 10 of 10 lost firings"
        for odd in ({}, {"burn_voltage_kv": (rows, 0.4)}, {"burn_time_ms": (rows, np.nan)}):
            events, extras = tables(**lost, **odd)
            events["spark"] = "usual"
            assert (told in write_evidence(events, extras, 3)) == (not odd)

    def test_missing_dwell_and_breakdown(self):
        rows = own_rows(4, every=10)
        events, extras = tables(no_dwell=(rows[:2], 1.0), no_breakdown=(rows[2:], 1.0))
        text = " | ".join(write_evidence(events, extras, 4))
        assert "not switched at all in 2 firings" in text
        assert "no spark line after 3 switch-offs" in text

    def test_torque(self):
        rows = own_rows(1, every=5)
        events, extras = tables(
            lost=(rows, True), segment_accel=(rows, -120.0), torque_deficit_z=(rows, 14.0)
        )
        text = " | ".join(write_evidence(events, extras, 1))
        assert "segment acceleration −120 1/s² against 40 1/s² in the other cylinders" in text
        assert "(14 times the usual scatter of the firings nearby)" in text

    def test_a_zero_has_no_sign(self):
        rows = own_rows(1, every=5)
        events, extras = tables(
            lost=(rows, True), segment_accel=(rows, -120.0), torque_deficit_z=(rows, 14.0)
        )
        events.loc[events["cylinder"] != 1, "segment_accel"] = -0.3
        text = " | ".join(write_evidence(events, extras, 1))
        assert "against 0 1/s² in the other cylinders" in text

    def test_ramp_step(self):
        events, extras = tables(ramp_step_a=(own_rows(3), 0.8))
        assert "starts with a step of 0.8 A" in write_evidence(events, extras, 3)[0]

    def test_crank_pulses(self):
        (said,) = write_evidence(*tables(), 1, disturbed_share=0.031)
        assert "3.1 %" in said

    def test_nothing_recorded(self):
        events, extras = tables()
        for name in EVENT_COLUMNS[5:]:
            events[name] = np.nan
        extras.loc[:, ["no_breakdown", "no_dwell", "torque_deficit_z", "ramp_step_a"]] = np.nan
        assert write_evidence(events, extras, 2) == ()


class TestPlugsOfOneCoil:
    """Two plugs in series: the one under compression takes most (common practice)."""

    def test_a_wide_gap_asks_for_more_in_its_own_compression_strokes(self):
        tabled = tables(firing_voltage_kv=(own_rows(3), 16.0))
        text = " | ".join(write_evidence(*tabled, 3, mate=2))
        assert "its own asks for more: 16.0 kV" in text
        assert "in those of cylinder 2 (ratio 1.33 ± 0.03)" in text
        assert "its own asks for less" in " | ".join(write_evidence(*tabled, 2, mate=3))

    def test_like_plugs_few_firings_and_bounds_tell_nothing(self):
        assert write_evidence(*tables(), 3, mate=2) == ()
        high = {"firing_voltage_kv": (own_rows(3), 16.0)}
        dark = tables(**high, no_breakdown=(own_rows(3), 1.0))
        events, extras = tables(**high)
        events["flags"] = np.where(events["cylinder"] == 2, "clipped", "")
        for tabled in (dark, (events, extras)):
            assert "plugs in series" not in " | ".join(write_evidence(*tabled, 3, mate=2))
        unknown = {"firing_voltage_kv": (own_rows(2), np.nan)}
        assert "plugs" not in " | ".join(write_evidence(*tables(**unknown), 3, mate=2))
