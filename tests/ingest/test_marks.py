"""Marks and the sheet of a job card: what is taken, and what is refused with its remedy."""

import pytest

from misfire.errors import JobCardError
from misfire.ingest.jobcard import parse_job_card
from misfire.ingest.marks import MAX_MARKS
from misfire.records import JobMark, Sheet

CARD = """
[vehicle]
id = "van"
{vehicle}
[engine]
cylinders = 2
firing_order = [1, 2]
ignition = "coil_on_plug"
[[channel]]
role = "crank"
file = "a.wav"
column = 0
{marks}
"""
BEGAN = "recorded = 2026-03-01T23:59:00"


def parse(tmp_path, marks="", vehicle="", **options):
    text = CARD.format(marks=marks, vehicle=vehicle)
    return parse_job_card(text, folder=tmp_path, source="job.toml", **options)


def test_the_sheet(tmp_path):
    job = parse(
        tmp_path, vehicle=f'{BEGAN}\nodometer_km = 84210\ntechnician = "A"\nworkshop = "North"'
    )
    assert job.sheet == Sheet("2026-03-01T23:59:00", 84210.0, "A", "North")
    assert parse(tmp_path).sheet == Sheet()
    assert parse(tmp_path, vehicle='recorded = "2026-03-01"').sheet.recorded == "2026-03-01"


def test_marks_by_seconds_and_by_the_clock(tmp_path):
    marks = (
        '[[mark]]\nclock = 00:00:30\ntext = "after midnight"\n'
        '[[mark]]\ntime_s = 12.5\ntext = "felt"\n'
        '[[mark]]\nclock = 23:59:30.5\ntext = "warm"\n'
    )
    assert parse(tmp_path, marks, BEGAN).marks == (
        JobMark(12.5, "felt"),
        JobMark(30.5, "warm"),
        JobMark(90.0, "after midnight"),
    )


@pytest.mark.parametrize(
    "table",
    [
        "time_s,text\n2.5,felt\n00:00:10,warm\n",
        "time;text\n2,5;felt\n\n00:00:10;warm\n",
        "2.5\tfelt\n00:00:10\twarm\n",
    ],
    ids=["commas", "semicolons", "tabs"],
)
def test_a_list_of_marks(tmp_path, table):
    (tmp_path / "marks.csv").write_text(table, encoding="utf-8")
    marks = '[[mark]]\nfile = "marks.csv"\n'
    assert parse(tmp_path, marks, BEGAN).marks == (JobMark(2.5, "felt"), JobMark(70.0, "warm"))


@pytest.mark.parametrize(
    ("marks", "vehicle", "words"),
    [
        ("[[mark]]\ntime_s = 3.0", "", r"\[\[mark\]\] 1 text: is missing"),
        ('[[mark]]\ntext = "felt"', "", "time_s: is missing; give either"),
        ('[[mark]]\ntime_s = 1.0\nclock = 10:00:00\ntext = "a"', BEGAN, "give either"),
        ('[[mark]]\ntime_s = -1.0\ntext = "a"', "", "must be at least 0|must be 0"),
        ('[[mark]]\nclock = 10:00:00\ntext = "a"', "", r"add `recorded = .*` to \[vehicle\]"),
        ('[[mark]]\nclock = "ten"\ntext = "a"', BEGAN, "must be a time of day"),
        ('[[mark]]\nclock = 23:58:00\ntext = "a"', BEGAN, "lies before the recording"),
        ('[[mark]]\nfile = "no.csv"', "", "cannot be read"),
        ('[[mark]]\nfile = "../no.csv"', "", "leaves the folder"),
        ('[[mark]]\nfile = "no.csv"\ntext = "a"', "", "stands alone"),
        ("[[mark]]\nwhen = 3", "", "is not a known field"),
        ("[mark]\ntime_s = 3.0", "", "double brackets"),
        ("", "odometer_km = -3", "odometer_km: must be"),
        ("", 'recorded = "soon"', "recorded: must be a date"),
        ("", "technician = 3", "technician: must be text"),
    ],
)
def test_refusals(tmp_path, marks, vehicle, words):
    with pytest.raises(JobCardError, match=words):
        parse(tmp_path, marks, vehicle)


@pytest.mark.parametrize(
    ("table", "words"),
    [("3.0\n", "line 1: the text is missing"), ("3.0,a\nsoon,b\n", "line 2: 'soon' is no time")],
)
def test_a_wrong_list_is_refused_with_its_line(tmp_path, table, words):
    (tmp_path / "marks.csv").write_text(table, encoding="utf-8")
    with pytest.raises(JobCardError, match=words):
        parse(tmp_path, '[[mark]]\nfile = "marks.csv"\n')


def test_too_many_marks_are_refused(tmp_path):
    (tmp_path / "marks.csv").write_text("1.0,a\n" * (MAX_MARKS + 1), encoding="utf-8")
    with pytest.raises(JobCardError, match=f"more than {MAX_MARKS}"):
        parse(tmp_path, '[[mark]]\nfile = "marks.csv"\n')
