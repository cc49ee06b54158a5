"""Conditions of a recording: the load against its definition, firing after firing."""

from dataclasses import replace

import numpy as np
import pytest

from misfire.report.context import SLOPE_SPAN_S, find_load
from misfire.report.summary import LOST
from tests.builders.diagnoses import make_diagnosis


def find_load_plainly(events, time_s):
    """Median of the good firings' voltages, in their cylinder's median, within half a span."""
    good = events[
        (events["misfire_probability"] < LOST)
        & (events["firing_voltage_kv"] > 0)
        & (events["flags"].fillna("") == "")
    ]
    usual = good.groupby("cylinder")["firing_voltage_kv"].median()
    relative = good["firing_voltage_kv"].to_numpy() / usual[good["cylinder"]].to_numpy()
    at = good["time_s"].to_numpy()
    load = []
    for one in time_s:
        near = relative[(at >= one - SLOPE_SPAN_S / 2) & (at < one + SLOPE_SPAN_S / 2)]
        load.append(np.median(near) if near.size >= 3 else np.nan)
    return np.array(load)


@pytest.mark.parametrize("seed", range(3))
def test_load_is_that_of_the_firings_about(seed):
    rng = np.random.default_rng(seed)
    made = make_diagnosis()
    events = made.events.copy()
    n = len(events)
    swing = 1 + 0.4 * np.sin(events["time_s"].to_numpy() / 5)
    events["firing_voltage_kv"] = 12 * swing * rng.normal(1, 0.05, n)
    events.loc[rng.random(n) < 0.5, "firing_voltage_kv"] = np.nan  # windows of any length
    events.loc[rng.random(n) < 0.1, "flags"] = "clipped"
    events.loc[events["time_s"].between(10, 20), "firing_voltage_kv"] = np.nan  # and of none
    time_s = np.sort(rng.uniform(-5, events["time_s"].iloc[-1] + 5, 500))
    found = find_load(replace(made, events=events), time_s)
    np.testing.assert_array_equal(found, find_load_plainly(events, time_s))
    assert np.isnan(found).any()
    assert np.isfinite(found).sum() > 250
