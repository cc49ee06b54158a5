import numpy as np
import pytest

from misfire.errors import ParameterError
from misfire.report.occurrence import count_speed_bands, find_bouts


def test_bouts_split_at_pauses_and_keep_every_misfire():
    times = np.sort(np.random.default_rng(1).uniform(0, 300, 200))
    bouts = find_bouts(times, pause_s=2.0)
    assert sum(b.count for b in bouts) == 200
    gaps = [later.start_s - one.stop_s for one, later in zip(bouts, bouts[1:], strict=False)]
    assert min(gaps) > 2.0
    assert len(bouts) == 1 + int((np.diff(times) > 2.0).sum())


def test_bouts_are_counted_within_each_speed_band():
    time_s = np.arange(12.0)
    rpm = np.repeat([700.0, 1700.0], 6)
    lost = np.array([0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 1, 0], bool)
    bands = count_speed_bands(rpm, lost, time_s=time_s, pause_s=1.0)
    assert [(b.lost, b.bouts) for b in bands] == [(1, 1), (3, 2)]
    assert [b.bouts for b in count_speed_bands(rpm, lost)] == [None, None]


def test_bouts_refuse_a_pause_that_is_none():
    with pytest.raises(ParameterError, match="pause_s"):
        find_bouts([1.0], pause_s=0)


def test_speed_bands_count_every_firing_once():
    rng = np.random.default_rng(2)
    rpm = rng.uniform(612, 5900, 5000)
    lost = rng.random(5000) < 0.02
    bands = count_speed_bands(rpm, lost)
    assert len(bands) <= 12
    assert sum(b.judged for b in bands) == 5000
    assert sum(b.lost for b in bands) == lost.sum()
    for band in bands:  # the slow, obvious way
        inside = [band.low_rpm <= v < band.high_rpm for v in rpm]
        assert sum(inside) == band.judged
        assert sum(a and b for a, b in zip(inside, lost, strict=True)) == band.lost


def test_speed_bands_without_a_speed():
    assert count_speed_bands(np.full(4, np.nan), np.zeros(4, bool)) == ()
