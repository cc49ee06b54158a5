"""When lost combustions came, in words: no more than the rows bear out."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from misfire.report.circumstances import (
    LostFirings,
    _correlate,
    _speed_words,
    describe_bouts,
    describe_speed,
    write_when,
)
from misfire.report.occurrence import SpeedBand
from tests.builders.diagnoses import make_diagnosis


def test_bouts_in_words():
    assert describe_bouts(np.array([])) == "No single firing stands out"
    assert describe_bouts(np.array([75.0])) == "Once, at 1:15"
    assert describe_bouts(np.array([75.0, 75.2, 76.0])) == "In one bout from 1:15 to 1:16"
    assert describe_bouts(np.array([75.0, 75.2])) == "In one bout at 1:15"
    assert describe_bouts(np.arange(10) * 60.0) == "Scattered, from 0:00 to 9:00"
    assert describe_bouts(np.array([1, 1.1, 1.2, 50, 50.1, 50.2])) == "In 2 bouts from 0:01 to 0:50"


def test_speed_is_blamed_only_when_the_intervals_part():
    clear = describe_speed((SpeedBand(600, 800, 3000, 4), SpeedBand(1600, 1800, 1100, 50)))
    assert clear.startswith("Most at 1600 to 1800 rev/min: 50 of 1100 firings (4.5 %)")
    assert describe_speed((SpeedBand(600, 800, 300, 4), SpeedBand(1600, 1800, 300, 6))) == ""


def test_speed_is_not_blamed_for_one_or_two_bouts():
    # 50 firings lost one after another are one incident, at whatever speed it happened to come
    rest = SpeedBand(600, 800, 3000, 0, bouts=0)
    assert describe_speed((rest, SpeedBand(1600, 1800, 1100, 50, bouts=3))).startswith("Most at")
    assert describe_speed((rest, SpeedBand(1600, 1800, 1100, 50, bouts=2))) == ""


def make_firings(rpm, lost_at):
    """Make firings a second apart, of which some were lost."""
    lost = np.zeros(len(rpm), bool)
    lost[list(lost_at)] = True
    return LostFirings(np.arange(len(rpm)) * 2.0, np.asarray(rpm, float), lost)


def test_keeping_to_high_speeds_is_called_chance_or_not_by_the_number_of_bouts():
    rng = np.random.default_rng(4)
    rpm = rng.permutation(np.linspace(800, 2000, 400))
    fast = np.argsort(rpm)[200:]
    # all in the upper half: chance 2 x 0.5^n; 0.125 for 4 bouts, 0.004 for 9
    few, many = make_firings(rpm, fast[:120:30]), make_firings(rpm, fast[:180:20])
    assert "may be chance: there were only 4 bouts" in _speed_words(few, ())
    assert "that is not by chance" in _speed_words(many, ())
    assert _speed_words(make_firings(rpm, np.arange(0, 400, 40)), ()) == "No speed stands out."
    assert "shows nothing: there was only one bout" in _speed_words(
        make_firings(rpm, fast[-1:]), ()
    )


def test_bouts_that_know_nothing_of_speed_are_seldom_said_to_keep_to_one():
    rng = np.random.default_rng(5)
    rpm = rng.permutation(np.linspace(800, 2000, 400))
    said = 0
    for _ in range(400):
        lost = 2 * rng.choice(200, 6, replace=False)  # bouts of one, apart
        said += "not by chance" in _speed_words(make_firings(rpm, lost), ())
    # at most 5 % are meant; 99.9 % of binomial draws of 400 stay below this
    assert said <= stats.binom.ppf(0.999, 400, 0.05)


def test_speed_that_went_with_time_is_told():
    rising = np.linspace(800, 2000, 400)
    assert "The speed rose during the recording" in _speed_words(
        make_firings(rising, [300, 350, 390]), ()
    )
    falling = make_firings(rising[::-1], [10, 40, 90])
    assert "The speed fell during the recording" in _speed_words(falling, ())


def test_rank_correlation_is_that_of_scipy():
    rng = np.random.default_rng(6)
    time_s, rpm = np.arange(50.0), rng.normal(0, 1, 50)
    assert _correlate(time_s, rpm) == pytest.approx(stats.spearmanr(time_s, rpm).statistic)
    assert _correlate(time_s, np.full(50, 800.0)) == 0


def test_when_says_speed_recorded_load_and_warmth():
    made = make_diagnosis()
    answer, lines = write_when(made, made.cylinders[:1])
    events = made.events
    lost = events[(events["cylinder"] == 3) & (events["misfire_probability"] >= 0.5)]
    mine = events[(events["cylinder"] == 3) & events["misfire_probability"].notna()]
    assert answer.endswith(f"at {lost.rpm.min():.0f} to {lost.rpm.max():.0f} rev/min")
    covered = f"The recording covers {mine.rpm.min():.0f} to {mine.rpm.max():.0f} rev/min."
    assert lines[0].startswith(covered)
    text = " ".join(lines)
    assert "Most at 1600 to 1800 rev/min" in text
    assert "Load: " in text
    assert "no temperature was recorded" in text


def test_one_speed_says_nothing_of_others_and_no_speed_says_so():
    made = make_diagnosis()
    steady = made.events.assign(rpm=800.0)
    answer, lines = write_when(replace(made, events=steady), made.cylinders[:1])
    assert answer.endswith("at 800 rev/min")
    assert "covers only 800 rev/min: nothing is known of other speeds" in lines[0]
    unknown = made.events.assign(rpm=np.nan)
    answer, lines = write_when(replace(made, events=unknown), made.cylinders[:1])
    assert "rev/min" not in answer
    assert "engine speed is not known" in lines[0]


def test_a_cylinder_that_is_always_dead_has_no_bouts():
    made = make_diagnosis()
    events = made.events.assign(
        misfire_probability=made.events["misfire_probability"].where(
            made.events["cylinder"] != 3, 0.9
        )
    )
    answer, lines = write_when(replace(made, events=events), made.cylinders[:1])
    assert answer.startswith("Always, at ")
    assert not any("bout" in line for line in lines)


def test_no_single_firing_lost():
    made = make_diagnosis()
    none = replace(made, events=made.events.assign(misfire_probability=0.1))
    assert write_when(none, none.cylinders[:1]) == ("No single firing stands out", ())
    empty = replace(made, events=pd.DataFrame(made.events.iloc[:0]))
    assert write_when(empty, empty.cylinders[:1])[1] == ()
