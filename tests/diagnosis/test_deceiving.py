"""Recordings made to deceive: nobody is accused for sure. More: `python -m tests.deception`."""

import pytest

from tests.deception.__main__ import judge_decoy

FIXED = (
    ("noise", 1),
    ("mains hum", 3),
    ("mains hum", 18),
    ("signal generator", 6),
    ("card of another engine", 2),
    ("card of another engine", 3),
    ("wrong firing order", 3),
    ("two vehicles joined", 0),
    ("half of the channels dead", 0),
    ("half of the channels dead", 3),
    ("clipped to squares", 1),
    ("time at another rate", 1),
    ("leads exchanged", 6),
    ("channels cut out", 2),
    ("cross-talk for a coil", 3),
    ("half of the cylinders off", 9),
    ("speed limiter", 7),
    ("gear shifts", 7),
    ("hum only, cut", 8),
    ("generator sweeps", 9),
    ("generator sweeps", 9302),
    ("one channel backwards", 9102),
    ("wheel made badly", 9300),
    ("wheel made badly", 17100),
    ("lead on the trigger", 17100),
    ("cleaner in the fuel", 17000),
    ("b: losses anywhere", 2),
    ("b: cylinders rested", 1),
    ("b: other tdc told", 102),
    ("b: overrun", 12004),
    ("b: another joined", 12004),
    ("s: supply of all coils", 12003),
    ("cranks without spark", 100),
    ("sync lost, kick beside", 100),
)


@pytest.mark.parametrize(("kind", "number"), FIXED)
def test_nobody_is_accused(kind, number, tmp_path):
    row = judge_decoy(kind, number, tmp_path)
    assert row["outcome"] != "fault", row["message"]
    assert row["accused"] == []
    assert not row["blind"]
