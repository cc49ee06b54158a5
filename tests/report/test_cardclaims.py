"""What the number of a cylinder rests on: signals, or the job card alone."""

from dataclasses import replace
from pathlib import Path

import pytest

from misfire.records import Cam, ChannelCard, CrankWheel, Engine, JobCard
from misfire.report.cardclaims import describe_claims, list_claims
from misfire.report.diagnosis.page import format_page
from misfire.report.diagnosis.table import format_table
from misfire.report.summary import build_summary
from tests.builders.diagnoses import make_diagnosis

WHEEL = CrankWheel(60, ((59, 60),), tdc_deg=84.0)
PLUG = Engine(4, (1, 3, 4, 2), "coil_on_plug")
WASTE = Engine(4, (1, 3, 4, 2), "wasted_spark")


def make_job(engine, *places, wheel=WHEEL, cam=None, more=("crank",)):
    channels = [
        ChannelCard(role, "a.wav", number, f"channel {number}", cylinders)
        for number, (role, cylinders) in enumerate([*places, *((role, ()) for role in more)])
    ]
    return JobCard("v", engine, tuple(channels), Path(), "", wheel=wheel, cam=cam)


def primary(*cylinders):
    return "coil_primary", cylinders


@pytest.mark.parametrize(
    ("job", "cylinder", "claims"),
    [
        # a wrong order moves a cylinder that no lead marks, and nothing here would show it
        (make_job(PLUG, primary(1)), 2, ("firing_order",)),
        (make_job(PLUG, primary(1)), 1, ("cylinders",)),
        (make_job(PLUG, primary(1), primary(2)), 2, ()),
        (make_job(PLUG, primary(1), primary(3)), 4, ("firing_order",)),
        (make_job(PLUG, ("coil_current", ())), 2, ("firing_order", "tdc_deg")),
        (make_job(PLUG, ("coil_current", ()), wheel=None), 2, ("firing_order",)),
        (make_job(WASTE, primary(1, 4), primary(2, 3)), 3, ()),
        (
            make_job(WASTE, primary(1, 4), primary(2, 3), cam=Cam(30.0), more=("crank", "cam")),
            3,
            ("edge_deg",),
        ),
        (
            make_job(
                WASTE, primary(1, 4), ("coil_secondary", (1,)), cam=Cam(30.0), more=("crank", "cam")
            ),
            1,
            (),
        ),
        (make_job(Engine(1, (1,), "coil_on_plug"), primary(1)), 1, ()),
    ],
)
def test_claims(job, cylinder, claims):
    assert list_claims(job, cylinder) == claims


def test_it_is_said_where_somebody_is_accused():
    made = make_diagnosis()
    job = replace(made.job, channels=make_job(PLUG, primary(1)).channels)
    told = replace(made, job=job)
    sentence = describe_claims(told, 3)
    assert "firing order 1-3-4-2, with no lead on cylinder 3 itself" in sentence
    assert "no lead on cylinders 3 and 4 themselves" in describe_claims(told, 3, 4)
    assert sentence in format_page(told)
    assert sentence in format_table(told)
    first = build_summary(told)["cylinders"][0]
    assert (first["cylinder"], first["rests_on_card"]) == (3, ["firing_order"])


def test_nothing_is_said_where_all_cylinders_are_at_fault():
    made = make_diagnosis()
    told = replace(made, job=replace(made.job, channels=make_job(PLUG, primary(1)).channels))
    assert describe_claims(told, 3)
    everyone = tuple(replace(c, probability=0.9) for c in made.cylinders)
    assert describe_claims(replace(told, cylinders=everyone), 3) == ""
