"""Pick-ups on plug leads beside a crank sensor where nothing shows the primary of their coil."""

import numpy as np
import pytest

from misfire.measuring.evidence import follow, gather, place
from misfire.measuring.opening import open_recording
from tests.builders.vehicles import make_vehicle

LEADS = {
    "wasted_spark": (1, 3),
    "coil_on_plug": (1, 3, 4, 2),
    "distributor": (1, 3),
}


@pytest.mark.parametrize("rate_hz", [100e3, 250e3])
@pytest.mark.parametrize("ignition", LEADS)
def test_leads_alone_show_time_and_burn(tmp_path, ignition, rate_hz):
    # Sought: burn of 98 % of the firings of the pick-up's own cylinder, times within 50 us. Truth
    # is the simulator's. At idle the gap breaks down within some microseconds: at 100 kS/s most
    # kicks fall between two samples, and a double-ended coil fires in the exhaust stroke too.
    leads = LEADS[ignition]
    channels = [("coil_secondary", (c,)) for c in leads]
    job, truth = make_vehicle(
        tmp_path, ignition=ignition, channels=(*channels, ("crank", ())), rate_hz=rate_hz,
        duration_s=8.0,
    )  # fmt: skip
    placed = place(follow(open_recording(job)))
    columns, firings = gather(placed), placed.firings
    events = truth["events"]
    cylinder, time_s = np.array(events["cylinder"]), np.array(events["time_s"])
    burn_ms = np.array([b or 0.0 for b in events["burn_time_ms"]])
    for c in leads:
        of_truth = np.flatnonzero((cylinder == c) & (burn_ms > 0.05))
        rows = np.flatnonzero(firings.cylinder == c)
        off = firings.spark_s[rows][:, None] - time_s[of_truth]
        nearest = rows[np.abs(off).argmin(axis=0)]
        assert np.mean(np.abs(off).min(axis=0) < 50e-6) >= 0.98
        told = columns["burn_time_ms"][nearest]
        assert np.mean(np.isfinite(told)) >= 0.98
        assert np.nanmedian(np.abs(told / burn_ms[of_truth] - 1)) < 0.05
    # no stroke of the exhaust, of a switch-on or of a neighbour makes a firing more
    whole = (cylinder.size - firings.cylinder.size) / cylinder.size
    assert abs(whole) < 0.05


@pytest.mark.parametrize(("ignition", "other"), [("coil_on_plug", (2,)), ("wasted_spark", (2, 3))])
def test_a_lead_is_heard_beside_the_primary_of_another_coil(tmp_path, ignition, other):
    # The switch-offs of cylinder 2 are no firings of cylinder 1. Truth is the simulator's; sought
    # as above, but the firing's place is here the crank's.
    job, truth = make_vehicle(
        tmp_path, ignition=ignition, rate_hz=250e3, duration_s=6.0,
        channels=(("coil_secondary", (1,)), ("coil_primary", other), ("crank", ())),
    )  # fmt: skip
    placed = place(follow(open_recording(job)))
    columns, firings = gather(placed), placed.firings
    events = truth["events"]
    own = np.array(events["cylinder"]) == 1
    time_s = np.array(events["time_s"])[own]
    burn_ms = np.array([b or 0.0 for b in events["burn_time_ms"]])[own]
    rows = np.flatnonzero(firings.cylinder == 1)
    off = firings.spark_s[rows][:, None] - time_s
    nearest = np.abs(off).argmin(axis=1)
    known = (np.abs(off).min(axis=1) < 1e-3) & (burn_ms[nearest] > 0.05)
    told = columns["burn_time_ms"][rows[known]]
    assert known.sum() > 20
    assert np.mean(np.isfinite(told)) >= 0.95
    assert np.nanmedian(np.abs(told / burn_ms[nearest[known]] - 1)) < 0.05
