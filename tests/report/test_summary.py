import json
import math
from dataclasses import replace

import numpy as np
import pytest

from misfire import __version__
from misfire.errors import ParameterError
from misfire.records import FAULT_TYPES
from misfire.report.diagnosis.table import format_json
from misfire.report.summary import build_summary, choose_recording_dtc, format_dtc, to_plain
from tests.builders.diagnoses import make_diagnosis, make_quiet_diagnosis

# SAE J2012 / ISO 15031-6 code list: P0300 random or multiple, P0301..P0312 cylinders 1..12
# (P0300 to P0304 read in public code lists, the range to P0312 from memory).
CODES = {
    None: "P0300",
    1: "P0301",
    2: "P0302",
    3: "P0303",
    4: "P0304",
    5: "P0305",
    6: "P0306",
    7: "P0307",
    8: "P0308",
    9: "P0309",
    10: "P0310",
    11: "P0311",
    12: "P0312",
}
TOP = {
    "schema": str,
    "vehicle": str,
    "verdict": str,
    "duration_s": float,
    "cycles": int,
    "events": int,
    "rpm": dict,
    "cylinders": list,
    "quality": list,
    "notes": list,
    "tool_version": str,
}
CYLINDER = {
    "cylinder": int,
    "rank": int,
    "probability": float,
    "dtc": str,
    "cycles": int,
    "misfires": int,
    "misfire_rate": float,
    "faults": list,
    "features": dict,
    "evidence": list,
    "next_tests": list,
}


@pytest.mark.parametrize(("cylinder", "code"), CODES.items())
def test_codes_are_those_of_the_published_list(cylinder, code):
    assert format_dtc(cylinder) == code


@pytest.mark.parametrize("cylinder", [0, 13, -1])
def test_a_cylinder_without_a_code_is_refused(cylinder):
    with pytest.raises(ParameterError, match="cylinders 1 to 12"):
        format_dtc(cylinder)


# 13 CCR 1968.2 (e)(3.1.3), 2007 text: more than 90 per cent in one cylinder allows its own code;
# two or more cylinders above 10 per cent each must store the multiple code.
@pytest.mark.parametrize(
    ("misfires", "code"),
    [
        ({2: 91, 4: 9}, "P0302"),
        ({2: 90, 4: 10}, "P0300"),
        ({2: 89, 4: 11}, "P0300"),
        ({1: 85, 2: 8, 3: 7}, "P0300"),
        ({1: 0, 5: 40}, "P0305"),
        ({1: 0, 2: 0}, None),
        ({}, None),
        ({7: 901, 8: 99}, "P0307"),
        ({7: 900, 8: 100}, "P0300"),
    ],
)
def test_single_or_multiple(misfires, code):
    assert choose_recording_dtc(misfires) == code


def test_a_negative_count_is_refused():
    with pytest.raises(ParameterError, match="negative"):
        choose_recording_dtc({1: -1})


def test_every_field_of_the_contract_with_its_type():
    summary = json.loads(format_json(make_diagnosis()))
    assert summary["schema"] == "misfire-result/1"
    assert summary["tool_version"] == __version__
    for name, kind in TOP.items():
        assert isinstance(summary[name], kind), name
    assert set(summary["rpm"]) == {"min", "median", "max"}
    for entry in summary["cylinders"]:
        for name, kind in CYLINDER.items():
            assert isinstance(entry[name], kind) or entry[name] == 0, name
        assert {f["type"] for f in entry["faults"]} == set(FAULT_TYPES)
        assert sum(f["probability"] for f in entry["faults"]) == pytest.approx(1.0, abs=1e-12)
    for entry in summary["quality"]:
        assert set(entry) == {"channel", "code", "severity", "message", "consequence", "remedy"}


def test_totals_agree_with_the_events():
    diagnosis = make_diagnosis()
    summary = build_summary(diagnosis)
    assert summary["events"] == len(diagnosis.events) == 16720
    first = summary["cylinders"][0]
    assert (first["cylinder"], first["misfires"], first["cycles"]) == (3, 57, 4180)
    assert first["misfire_rate"] == pytest.approx(57 / 4180, rel=1e-5)
    assert summary["recording_dtc"] == "P0303"
    lost = diagnosis.events["misfire_probability"] >= 0.5
    assert sum(c["misfires"] for c in summary["cylinders"]) == lost.sum()


def test_cylinders_come_in_rank_order_whatever_the_input_order():
    diagnosis = make_diagnosis()
    turned = replace(diagnosis, cylinders=diagnosis.cylinders[::-1])
    assert [c["rank"] for c in build_summary(turned)["cylinders"]] == [1, 2, 3, 4]


def test_what_is_not_measurable_is_null():
    diagnosis = make_diagnosis(rpm=np.full(3, np.nan), rpm_s=np.arange(3.0))
    nameless = replace(diagnosis.cylinders[0], features={"dwell_ms": math.nan}, cycles=0)
    diagnosis = replace(diagnosis, cylinders=(nameless, *diagnosis.cylinders[1:]))
    summary = json.loads(format_json(diagnosis))
    assert summary["rpm"] == {"min": None, "median": None, "max": None}
    assert summary["cylinders"][0]["features"]["dwell_ms"] is None
    assert summary["cylinders"][0]["misfire_rate"] is None
    assert summary["settings"]["bad"] is None


def test_only_a_misfire_earns_a_code():
    assert build_summary(make_quiet_diagnosis())["recording_dtc"] is None
    open_one = make_diagnosis(verdict="inconclusive")
    assert build_summary(open_one)["recording_dtc"] is None


def test_plain_values():
    value = {"a": np.float32(0.5), "b": (np.int64(3), {2, 1}), "c": float("inf"), "d": True}
    assert to_plain(value) == {"a": 0.5, "b": [3, [1, 2]], "c": None, "d": True}


def test_source_is_named_without_its_folder():
    summary = build_summary(make_diagnosis())
    assert summary["source"] == "rec.h5"
