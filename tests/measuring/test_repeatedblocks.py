"""Blocks written twice are found by what noise never does: repeat itself to the last digit."""

import numpy as np
import pytest

from misfire.measuring.repeatedblocks import describe_repeats, find_repeats


def make_teeth(rng, n, *, jitter_s=1e-6):
    """Teeth of a 60-2 wheel at a speed that swings, each with noise of its own."""
    slots = np.arange(n)
    slots = slots[slots % 60 < 58]
    pitch_s = 0.3e-3
    swing = 2e-3 * np.sin(slots / 900.0)
    return slots * pitch_s + swing + rng.normal(0, jitter_s, slots.size)


@pytest.mark.parametrize("n_copied", [12, 60, 400])
def test_copies_are_found_where_they_are(n_copied):
    teeth = make_teeth(np.random.default_rng(n_copied), 9000)
    planted = []
    for at in (1500, 4000, 7000):
        shift = teeth[at] - teeth[at - n_copied]
        teeth[at : at + n_copied] = teeth[at - n_copied : at] + shift
        teeth[at + n_copied :] += max(0.0, teeth[at + n_copied - 1] - teeth[at + n_copied] + 2e-4)
        planted.append((teeth[at], teeth[at + n_copied - 1]))
    spans = find_repeats(teeth)
    assert spans.shape == (3, 2)
    # one pitch or a gap at either end may belong to both sides of the seam
    np.testing.assert_allclose(spans, planted, atol=3 * 0.3e-3)
    assert describe_repeats(spans, "crank")[0].code == "dropout"


def test_a_copy_is_found_across_the_parts_that_are_looked_at_together():
    teeth = make_teeth(np.random.default_rng(5), 120_000)
    at, n = 32_768, 300
    teeth[at : at + n] = teeth[at - n : at] + teeth[at] - teeth[at - n]
    teeth[at + n :] += max(0.0, teeth[at + n - 1] - teeth[at + n] + 2e-4)
    spans = find_repeats(teeth)
    assert len(spans) == 1
    assert abs(spans[0, 0] - teeth[at]) < 1e-3


@pytest.mark.parametrize("rate_hz", [20e3, 1e6])
def test_whole_samples_are_no_copies(rate_hz):
    """An edge that falls between two samples is only known to one: pitches repeat by chance."""
    teeth = make_teeth(np.random.default_rng(1), 60_000, jitter_s=0.2e-6)
    assert find_repeats(np.round(teeth * rate_hz) / rate_hz).size == 0


@pytest.mark.parametrize("steps", [4, 16, 64])
def test_coarse_steps_between_samples_are_no_copies(steps):
    """A few bits of resolution leave a few places between two samples."""
    grid_hz = 100e3 * steps
    teeth = make_teeth(np.random.default_rng(2), 60_000)
    assert find_repeats(np.round(teeth * grid_hz) / grid_hz).size == 0


def test_a_steady_generator_and_few_teeth_are_left_alone():
    assert find_repeats(np.arange(5000) * 1e-3).size == 0
    assert find_repeats(np.empty(0)).size == 0
    assert find_repeats(np.arange(9.0)).size == 0
    assert describe_repeats(np.empty((0, 2)), "crank") == []
