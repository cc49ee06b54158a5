"""The tally of a channel: histogram, pieces, noise, mains; the same however it is cut."""

import numpy as np
import pytest

from misfire.dsp.tally import find_mains, find_runs, tally_channel

RATE_HZ = 20e3


@pytest.fixture(scope="module")
def counts():
    rng = np.random.default_rng(2)
    t = np.arange(100_000) / RATE_HZ
    return (300 * np.sin(2 * np.pi * 3 * t) + rng.normal(0, 7.0, t.size)).round().astype(np.int16)


@pytest.mark.parametrize("block", [1, 4096, 33_333, 1 << 20])
def test_against_numpy_for_any_cut(counts, block):
    tally = tally_channel(lambda a, b: counts[a:b], counts.size, rate_hz=RATE_HZ, block=block)
    assert np.array_equal(tally.histogram, np.bincount(counts.astype(int) + 32768, minlength=65536))
    pieces = counts.reshape(-1, 100)  # 5 ms
    assert np.array_equal(tally.low, pieces.min(axis=1))
    assert np.array_equal(tally.high, pieces.max(axis=1))
    for share in (0.01, 0.5, 0.99):
        assert tally.quantile(share) == np.quantile(counts, share, method="inverted_cdf")


def test_noise_is_the_planted_one(counts):
    tally = tally_channel(lambda a, b: counts[a:b], counts.size, rate_hz=RATE_HZ)
    # the median of whole numbers is good to half a count: 0.5 / (0.6745 sqrt 6) = 0.30
    assert tally.noise == pytest.approx(7.0, abs=0.31)


def test_steps_of_an_8_bit_instrument(counts):
    coarse = (counts // 256 * 256).astype(np.int16)
    tally = tally_channel(lambda a, b: coarse[a:b], coarse.size, rate_hz=RATE_HZ)
    assert tally.code_step == 256


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_mains_is_told_from_an_engine_that_wanders_by(mains_hz):
    t = np.arange(6000) / 600.0
    engine = 20 * np.sin(2 * np.pi * np.cumsum(mains_hz + 3 * np.sin(t)) / 600.0)
    assert find_mains(engine.astype(np.float32), slow_hz=600.0) == (0.0, 0.0)
    hum = 20 * np.sin(2 * np.pi * mains_hz * t)
    frequency, amplitude = find_mains(hum.astype(np.float32), slow_hz=600.0)
    assert frequency == mains_hz
    assert amplitude == pytest.approx(20.0, rel=0.05)


def test_an_empty_channel():
    tally = tally_channel(lambda a, b: np.empty(0, np.int16), 0, rate_hz=RATE_HZ)
    assert (tally.n_samples, tally.low.size, tally.noise, tally.quantile(0.5)) == (0, 0, 0.0, 0.0)


def test_runs():
    assert find_runs(np.array([], bool)).shape == (0, 2)
    assert find_runs(np.array([False, True, True])).tolist() == [[1, 3]]
