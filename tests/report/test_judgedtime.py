"""Time that was not judged, and words for an engine that only the starter turned."""

from dataclasses import replace

import numpy as np
import pytest

from misfire.report.diagnosis.story import write_facts, write_headline, write_lead
from misfire.report.diagnosis.table import format_table
from misfire.report.judgedtime import compute_unjudged, describe_unjudged, is_only_cranked
from tests.builders.diagnoses import make_diagnosis, make_quiet_diagnosis


def cut_off(made, judged_share):
    """Judge only the first firings; at 600 rev/min four cylinders fire every 0.05 s."""
    events = made.events.copy()
    events["rpm"] = 600.0
    n = len(events)
    late = np.arange(n) >= judged_share * n
    events.loc[late, "misfire_probability"] = np.nan
    return replace(made, events=events, duration_s=0.05 * n), n


def test_rest_of_the_recording_in_seconds_and_share():
    made, n = cut_off(make_quiet_diagnosis(), 0.75)
    blank = int(made.events["misfire_probability"].isna().sum())  # those at the ends as well
    assert blank >= 0.25 * n
    assert compute_unjudged(made) == pytest.approx(0.05 * blank)
    share = f"{100.0 * blank / n:.0f}"
    assert describe_unjudged(made).split("(")[1].startswith(share)
    assert f"not judged: {describe_unjudged(made)}" in format_table(made)
    assert ("Not judged", describe_unjudged(made)) in [
        (f.question, f.answer) for f in write_facts(made)
    ]


def test_nothing_is_said_where_hardly_anything_is_left_out():
    made, _ = cut_off(make_quiet_diagnosis(), 1.0)
    assert describe_unjudged(made) == ""
    assert "not judged" not in format_table(made)


@pytest.mark.parametrize(
    "made", [make_diagnosis, make_quiet_diagnosis, lambda **more: make_quiet_diagnosis(
        verdict="inconclusive", **more)],
)  # fmt: skip
def test_under_the_starter_it_speaks_of_compression(made):
    found = made(rpm=np.full(50, 220.0), rpm_s=np.arange(50.0))
    found = replace(found, notes=(), cylinders=tuple(
        replace(c, evidence=(), next_tests=()) for c in found.cylinders
    ))  # fmt: skip
    assert is_only_cranked(found.rpm)
    first = " ".join(
        [write_headline(found), write_lead(found)]
        + [f"{f.answer} {f.aside}" for f in write_facts(found) if f.question != "Why"]
    ).lower()
    for word in ("combustions lost", "combustions judged", "misfiring", "lost combustion"):
        assert word not in first
    assert found.verdict == "inconclusive" or "compress" in first
    assert not is_only_cranked(made().rpm)
