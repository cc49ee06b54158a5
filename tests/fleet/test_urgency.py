"""Urgency against the floors of 13 CCR 1968.2 (e)(3.2): 5 % in 200, 1 % in 1000 revolutions."""

from datetime import datetime, timedelta, timezone

import pytest

from misfire.fleet.urgency import CLASSES, grade, parse_time, pick_current


def make_digest(short=0.0, low=0.0, long=0.0, *, probability=0.99, verdict="misfire", **more):
    windows = {
        "200": {"share": short, "low": low, "whole": True},
        "1000": {"share": long, "low": 0.0, "whole": True},
    }
    digest = {"verdict": verdict, "probability": probability, "windows": windows, "misfires": 9}
    return {**digest, "crank_fault": "", "ailing": [], "notes": [], **more}


@pytest.mark.parametrize(
    ("digest", "word", "catalyst"),
    [
        (make_digest(0.20, 0.12, 0.10), "now", "likely"),
        (make_digest(0.05, 0.05, 0.01), "now", "likely"),
        (make_digest(0.20, 0.12, 0.10, probability=0.7), "soon", "likely"),
        (make_digest(0.06, 0.03, 0.02), "soon", "possible"),
        (make_digest(0.03, 0.01, 0.01), "soon", "below the floor"),
        (make_digest(0.03, 0.01, 0.009), "plan", "below the floor"),
        (make_digest(misfires=0), "soon", "below the floor"),
        (make_digest(verdict="inconclusive"), "unclear", "not known"),
        (make_digest(verdict="no_misfire"), "none", "below the floor"),
        (make_digest(verdict="no_misfire", crank_fault="a tooth"), "plan", "below the floor"),
    ],
)
def test_classes(digest, word, catalyst):
    urgency = grade(digest)
    assert (urgency.name, urgency.catalyst) == (word, catalyst)
    assert 0 <= urgency.score <= 100
    assert CLASSES[urgency.rank] == word


def test_single_losses_of_a_sound_engine_are_told():
    stray = grade(make_digest(verdict="no_misfire", misfires=1)).reason
    assert stray == "no misfire found, 1 lost firing not beyond chance"
    assert grade(make_digest(verdict="no_misfire", misfires=0)).reason == "no misfire found"


def test_more_losses_are_never_less_urgent():
    scores = [grade(make_digest(s, s - 0.01, s)).score for s in (0.06, 0.1, 0.2, 0.5, 1.0)]
    assert scores == sorted(scores)
    assert len(set(scores)) > 3


def test_recordings_of_one_visit():
    newest = datetime(2026, 3, 10, 12, 0)
    times = [newest - timedelta(days=d) for d in (0, 6.9, 7.0, 7.1, 400)]
    assert pick_current([t.isoformat() for t in times]) == [0, 1, 2]
    assert pick_current([None, None]) == [0, 1]


def test_zones_are_worked_out():
    local = datetime(2026, 3, 1, 20, 0, tzinfo=timezone(timedelta(hours=2)))
    assert parse_time(local.isoformat()) == datetime(2026, 3, 1, 18, 0)
