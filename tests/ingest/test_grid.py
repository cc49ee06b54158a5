"""The ADC step found from numbers, against steps the test chose."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from misfire.ingest.grid import MAX_COUNT, GridSearch

EPS = {"f8": 2.0**-52, "f4": 2.0**-23}


@settings(max_examples=200, deadline=None)
@given(
    counts=st.lists(st.integers(-MAX_COUNT, MAX_COUNT), min_size=2, max_size=300),
    step=st.floats(1e-6, 1e3),
    cut=st.integers(0, 300),
)
def test_any_numbers_on_a_grid_are_kept_exactly(counts: list[int], step: float, cut: int) -> None:
    # A signal has neighbouring codes somewhere; a few scattered ones need not show their step.
    near = counts[0] - 1 if counts[0] > 0 else counts[0] + 1
    values = np.array([*counts, near]) * step
    search = GridSearch(eps=EPS["f8"], is_text=False)
    search.add(values[:cut])
    search.add(values[cut:])
    assert search.step is not None
    places = np.rint((values - search.base) / search.step)
    assert np.abs(places).max() <= MAX_COUNT
    back = search.base + places * search.step
    np.testing.assert_allclose(back, values, atol=8 * EPS["f8"] * np.abs(values).max() + 1e-300)


@pytest.mark.parametrize("kind", ["f8", "f4"])
@pytest.mark.parametrize("offset", [0.0, 1.65])
def test_step_and_origin_of_an_adc(kind: str, offset: float) -> None:
    counts = np.random.default_rng(2).integers(0, 4096, 20_000)
    step = 3.3 / 4095
    values = (counts * step + offset).astype(kind).astype(float)
    search = GridSearch(eps=EPS[kind], is_text=False)
    for block in np.array_split(values, 7):
        search.add(block)
    assert search.step == pytest.approx(step, rel=1e-5)
    if offset == 0:
        assert search.base == 0.0


def test_step_that_only_coprime_spacings_show() -> None:
    # Spacings 6, 10 and 15 have no common part but 1: the smallest one alone is not the step.
    search = GridSearch(eps=EPS["f8"], is_text=False)
    search.add(np.array([0.0, 6.0, 16.0, 31.0]) * 0.125)
    assert search.step == pytest.approx(0.125)


def test_finer_block_later_refines_the_step() -> None:
    search = GridSearch(eps=EPS["f8"], is_text=False)
    search.add(np.array([0.0, 4.0, 8.0]))
    assert search.step == 4.0
    search.add(np.array([1.0, 3.0]))
    assert search.step == 1.0


@pytest.mark.parametrize("n", [300, 100_000])
def test_noise_is_on_no_grid(n: int) -> None:
    search = GridSearch(eps=EPS["f8"], is_text=False)
    search.add(np.random.default_rng(5).normal(size=n))
    assert search.step is None


def test_grid_too_wide_for_16_bits() -> None:
    search = GridSearch(eps=EPS["f8"], is_text=False)
    search.add(np.arange(70_000.0))
    assert search.step is None
    assert search.failed


@settings(max_examples=60, deadline=None)
@given(st.floats(1e-4, 10), st.integers(4, 7), st.integers(0, 100))
def test_printed_numbers_are_kept_within_their_last_digit(step: float, digits: int, seed: int):
    counts = np.random.default_rng(seed).integers(-2048, 2048, 3000)
    printed = [f"{count * step:.{digits}g}" for count in counts.tolist()]
    values = np.array([float(cell) for cell in printed])
    search = GridSearch(eps=EPS["f8"], is_text=True)
    search.add(values)
    if search.step is None:
        # Too few digits to tell neighbouring steps apart: no grid may be claimed.
        assert digits == 4
        return
    back = search.base + np.rint((values - search.base) / search.step) * search.step
    exponent = np.floor(np.log10(np.maximum(np.abs(values), 1e-300)))
    last_digit = 10.0 ** np.maximum(exponent + 1 - digits, -14.0)
    smallest = min(abs(v) for v in values.tolist() if v)
    floor = 10.0 ** (np.floor(np.log10(smallest)) + 1 - digits)
    assert (np.abs(back - values) <= 0.51 * np.maximum(last_digit, floor) * 10).all()
