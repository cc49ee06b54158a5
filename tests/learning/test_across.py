"""Figures across the ways of drawing: who is fitted on whom, and the table of it."""

import dataclasses

import numpy as np
import pytest

from misfire.learning import fitting
from misfire.learning.across import format_across, judge_across
from misfire.learning.casestore import load_case, save_case
from misfire.learning.judgedcase import JudgedCase
from misfire.records import FAULT_TYPES
from tests.builders.models import make_case, make_cases

WAYS = ("circuit", "pieces")


@pytest.fixture(scope="module")
def cases():
    made = make_cases(60)
    return [dataclasses.replace(c, waves=WAYS[i % 2]) for i, c in enumerate(made)]


def test_each_way_is_judged_by_a_model_of_the_other(monkeypatch, cases):
    fitted = []

    class Fitted:
        def __init__(self, cases):
            self.model = {c.waves for c in cases}
            fitted.append(len(cases))

    monkeypatch.setattr(fitting, "fit_model", lambda cases, *, seed: Fitted(cases))
    monkeypatch.setattr(fitting, "judge_case", lambda case, model: (case, model))
    judged = judge_across(cases)
    assert fitted == [30, 30]
    assert set(judged) == set(WAYS)
    for way, rows in judged.items():
        assert [row[0].group for row in rows] == [c.group for c in cases if c.waves == way]
        assert all(row[1] == {*WAYS} - {way} for row in rows)


def test_too_few_of_a_way_give_no_figures(cases):
    assert judge_across([c for c in cases if c.waves == "circuit"]) == {}
    assert judge_across(cases[:30]) == {}
    assert format_across([], {}) == []


def test_what_is_learned_alike_is_found_across(cases):
    """The made cases of both ways are drawn alike: hardly anything is lost across."""
    judged = judge_across(cases)
    lines = format_across(judged["circuit"] + judged["pieces"], judged)
    assert lines[0].count("|") == 6
    found = next(line for line in lines if line.startswith("| faulty cylinder ranked first"))
    assert all(float(cell.split()[0]) >= 0.9 for cell in found.split("|")[2:6])


def test_figures_are_counted_by_way():
    """Two of the one way named right and wrong, one of the other right: 0.5 and 1."""
    rows = []
    for number, (way, kind) in enumerate(
        [("circuit", "mixture"), ("circuit", "weak_coil"), ("pieces", "mixture")]
    ):
        case = dataclasses.replace(make_case(number, faulty={2: "mixture"}), waves=way)
        faults = np.full((4, len(FAULT_TYPES)), 0.05)
        faults[:, FAULT_TYPES.index(kind)] = 0.7
        rows.append(JudgedCase(case, case.lost.astype(float), np.array([0, 0.9, 0, 0]), faults))
    lines = format_across(rows, {way: [r for r in rows if r.case.waves == way] for way in WAYS})
    first = next(line for line in lines if line.startswith("| fault type first"))
    values = [float(cell.split()[0]) for cell in first.split("|")[2:6]]
    assert values == [0.5, 0.5, 1.0, 1.0]


def test_a_kept_case_knows_its_way(tmp_path, cases):
    save_case(cases[1], tmp_path / "one.npz")
    assert load_case(tmp_path / "one.npz").waves == "pieces"
