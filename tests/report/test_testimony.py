"""What spark and torque tell of a cylinder, in words that agree with the judge's."""

from dataclasses import replace

import numpy as np

from misfire.report.diagnosis.testimony import hear_witnesses
from misfire.report.pictures.spread import word_unit
from misfire.report.wording import ODD_SPARKS, QUANTITIES
from tests.builders.diagnoses import make_diagnosis, make_quiet_diagnosis

KV = next(q for q in QUANTITIES if q.column == "firing_voltage_kv")


def hear(diagnosis, cylinder, witness):
    result = next(c for c in diagnosis.cylinders if c.cylinder == cylinder)
    return next(t for t in hear_witnesses(diagnosis, result) if t.witness == witness)


def test_a_swinging_driveline_does_not_hide_lost_torque():
    made = make_diagnosis()
    accel = made.events["segment_accel"]
    swing = 10.0 * accel.std() * np.sin(np.arange(len(accel)) / 40.0)
    told = hear(replace(made, events=made.events.assign(segment_accel=accel + swing)), 3, "Torque")
    assert told.word == "points to a fault"
    assert "beside the firings around them" in told.details[1]


def test_single_odd_sparks_of_a_sound_cylinder_are_not_listed():
    made = make_quiet_diagnosis()
    spark = made.events["spark"].to_numpy(dtype=object).copy()
    rows = np.flatnonzero(made.events["cylinder"] == 2)[:50]
    spark[rows] = "strained"
    made = replace(made, events=made.events.assign(spark=spark))
    states = {c.cylinder: c for c in made.cylinders}
    for state, n in (("sound", 0), ("ailing", 1)):
        cylinders = (replace(states[2], state=state), *(states[c] for c in (1, 3, 4)))
        told = hear(replace(made, cylinders=cylinders), 2, "Spark")
        assert sum(ODD_SPARKS["strained"] in text for text in told.details) == n


def test_lower_limits_are_told_as_such():
    made = make_diagnosis()
    all_cut = replace(made, events=made.events.assign(flags="bounded"))
    assert word_unit(all_cut, KV) == "kV, at least, estimated"
    flags = np.where(np.arange(len(made.events)) % 3 == 0, "bounded", "")
    assert word_unit(replace(made, events=made.events.assign(flags=flags)), KV) == "kV, estimated"
