"""Lost combustions in windows of revolutions, and the classes made of them."""

import numpy as np
import pytest

from misfire.errors import JobCardError
from misfire.fleet.digest import count_windows, read_recorded
from misfire.fleet.urgency import grade, pick_current


@pytest.mark.parametrize("cylinders", [4, 6, 8])
def test_events_in_a_window(cylinders):
    # Four-stroke: 200 revolutions hold 100 firings of each cylinder, 1000 hold 500. So 5 % of the
    # first and 1 % of the second are the same number of losses: 20, 30 and 40 (computed by hand).
    n = {4: 20, 6: 30, 8: 40}[cylinders]
    lost = np.zeros(500 * cylinders, bool)
    lost[:n] = True
    judged = np.ones(lost.size, bool)
    short = count_windows(lost, judged, window=200 * cylinders // 2)
    long = count_windows(lost, judged, window=1000 * cylinders // 2)
    assert (short["share"], short["windows"], short["whole"]) == (0.05, 5, True)
    assert (long["share"], long["windows"], long["whole"]) == (0.01, 1, True)


def test_the_worst_window_speaks_and_the_last_overlaps():
    lost = np.zeros(1000, bool)
    lost[900:] = True
    worst = count_windows(lost, np.ones(1000, bool), window=400)
    assert (worst["lost"], worst["of"], worst["windows"]) == (100, 400, 3)


def test_a_short_recording_is_taken_as_it_is():
    worst = count_windows(np.ones(30, bool), np.ones(30, bool), window=400)
    assert (worst["share"], worst["whole"], worst["of"]) == (1.0, False, 30)


def test_what_could_not_be_judged_does_not_count():
    judged = np.ones(800, bool)
    judged[400:] = False
    judged[410] = True
    lost = np.zeros(800, bool)
    lost[410] = True  # one of one: no window to go by
    assert count_windows(lost, judged, window=400)["share"] == 0.0
    assert count_windows(lost, np.zeros(800, bool), window=400)["share"] is None
    assert count_windows(lost[:0], judged[:0], window=400)["share"] is None


def digest(share, *, verdict="misfire", probability=0.99, n=400, long=None):
    lost = np.zeros(n, bool)
    lost[: round(share * n)] = True
    judged = np.ones(n, bool)
    windows = {"200": count_windows(lost, judged, window=400)}
    windows["1000"] = count_windows(lost, judged, window=2000)
    if long is not None:
        windows["1000"]["share"] = long
    return {
        "verdict": verdict,
        "probability": probability,
        "windows": windows,
        "misfires": int(lost.sum()),
        "notes": ["why not"],
        "crank_fault": None,
    }


def test_classes():
    # Wilson's lower end of 40 of 400 is 7.4 %, of 24 of 400 it is 4.1 % (checked by scipy below).
    from scipy.stats import binomtest

    assert binomtest(40, 400).proportion_ci(method="wilson").low > 0.05
    assert binomtest(24, 400).proportion_ci(method="wilson").low < 0.05
    assert grade(digest(0.10)).name == "now"
    assert grade(digest(0.10)).catalyst == "likely"
    assert grade(digest(0.06)).name == "soon"
    assert grade(digest(0.06)).catalyst == "possible"
    assert grade(digest(0.10, probability=0.6)).name == "soon"
    assert grade(digest(0.02)).name == "soon"  # over 1 % of 1000 revolutions
    assert grade(digest(0.005)).name == "plan"
    assert grade(digest(0.0)).name == "soon"  # a weak cylinder: the verdict says so
    assert grade(digest(0.0, verdict="inconclusive")).name == "unclear"
    assert grade(digest(0.0, verdict="inconclusive")).reason == "why not"
    sound = digest(0.0, verdict="no_misfire", probability=0.02)
    assert grade(sound).name == "none"
    sensor = grade(sound | {"crank_fault": "teeth are missing"})
    assert (sensor.name, sensor.reason) == ("plan", "teeth are missing")


def test_more_losses_and_more_certainty_come_first():
    shares = [grade(digest(s)).score for s in (0.08, 0.2, 0.5)]
    assert shares == sorted(set(shares))
    assert grade(digest(0.2, probability=0.95)).score < grade(digest(0.2)).score


def test_the_words_say_how_much_was_recorded():
    assert "in the worst 200 revolutions" in grade(digest(0.1)).reason
    assert "less than 200" in grade(digest(0.1, n=100)).reason


def test_current_recordings():
    assert pick_current(["2026-01-01", "2026-01-09"]) == [1]
    assert pick_current(["2026-01-01T10:00:00+10:00", "2026-01-08T01:00:00+01:00"]) == [0, 1]
    assert pick_current([None, None]) == [0, 1]


def test_the_time_on_a_job_card():
    assert read_recorded("vehicle.id = 'a'") is None
    assert read_recorded("vehicle.recorded = 2026-03-01T20:15:00") == "2026-03-01T20:15:00"
    assert read_recorded("vehicle.recorded = '2026-03-01'") == "2026-03-01"
    for wrong in ("'yesterday'", "7", "20:15:00"):
        with pytest.raises(JobCardError, match="recorded"):
            read_recorded(f"vehicle.recorded = {wrong}")
