"""Plain-array trees against scikit-learn's own predictions, and damaged ones."""

import dataclasses

import numpy as np
import pytest
from scipy.special import expit, softmax
from sklearn.ensemble import HistGradientBoostingClassifier

from misfire.classify.trees import compute_raw, export_trees, pack_trees, unpack_trees
from misfire.errors import ModelError
from tests.builders.models import draw_values, fit_trees


@pytest.fixture(scope="module")
def rows():
    return draw_values(np.random.default_rng(1), 600, 6)


def list_odd_rows(rows):
    """Rows at the edge: all missing, infinite, and on a threshold."""
    odd = np.array([np.full(6, np.nan), np.full(6, np.inf), np.full(6, -np.inf), np.zeros(6)])
    return np.concatenate((rows, odd))


class TestAgainstSklearn:
    def test_two_classes(self, rows):
        model = fit_trees(rows, np.nansum(rows, axis=1) > 0, rounds=40)
        probability = expit(compute_raw(export_trees(model), list_odd_rows(rows))[:, 0])
        expected = model.predict_proba(list_odd_rows(rows))[:, 1]
        assert np.abs(probability - expected).max() < 1e-12

    def test_seven_classes(self, rows):
        model = fit_trees(rows, np.arange(len(rows)) % 7, rounds=20)
        share = softmax(compute_raw(export_trees(model), list_odd_rows(rows)), axis=1)
        assert np.abs(share - model.predict_proba(list_odd_rows(rows))).max() < 1e-12

    def test_monotonic_and_weighted(self, rows):
        model = HistGradientBoostingClassifier(
            max_iter=30, monotonic_cst=[1, -1, 0, 0, 0, 0], random_state=0, early_stopping=False
        ).fit(rows, np.nan_to_num(rows[:, 0]) > 0, sample_weight=1 + np.arange(len(rows)) % 3)
        probability = expit(compute_raw(export_trees(model), rows)[:, 0])
        assert np.abs(probability - model.predict_proba(rows)[:, 1]).max() < 1e-12

    def test_a_threshold_itself_goes_left(self, rows):
        model = fit_trees(rows, np.nan_to_num(rows[:, 0]) > 0.3, rounds=3)
        trees = export_trees(model)
        inner = trees.left >= 0
        on = np.tile(np.unique(trees.threshold[inner])[:, None], (1, 6))
        expected = model.predict_proba(on)[:, 1]
        assert np.abs(expit(compute_raw(trees, on)[:, 0]) - expected).max() < 1e-12


def walk(trees, row):
    """Sum of the leaves of one row, node after node."""
    raw = trees.baseline.copy()
    for roots in trees.roots:
        for output, node in enumerate(roots):
            while trees.left[node] >= 0:
                value = row[trees.feature[node]]
                missing_left = np.isnan(value) and trees.missing_left[node]
                goes_left = missing_left or value <= trees.threshold[node]
                node = trees.left[node] if goes_left else trees.right[node]
            raw[output] += trees.value[node]
    return raw


@pytest.mark.parametrize("n_classes", [2, 5])
def test_as_row_after_row(rows, n_classes):
    kinds = np.arange(len(rows)) % n_classes
    trees = export_trees(fit_trees(rows, kinds == 0 if n_classes == 2 else kinds, rounds=15))
    rows = list_odd_rows(rows)
    expected = np.array([walk(trees, row) for row in rows])
    np.testing.assert_array_equal(compute_raw(trees, rows), expected)
    assert compute_raw(trees, rows[:0]).shape == (0, expected.shape[1])


@pytest.fixture(scope="module")
def arrays():
    rows = draw_values(np.random.default_rng(2), 200, 6)
    return pack_trees(export_trees(fit_trees(rows, np.nansum(rows, axis=1) > 0)), "event")


class TestPacking:
    def test_round_trip(self, arrays):
        trees = unpack_trees(arrays, "event", n_features=6)
        again = pack_trees(trees, "event")
        assert all((again[name] == arrays[name]).all() for name in arrays)

    def test_missing_array(self, arrays):
        with pytest.raises(ModelError, match="event_left.*is missing"):
            unpack_trees(
                {k: v for k, v in arrays.items() if k != "event_left"}, "event", n_features=6
            )

    def test_too_short_array(self, arrays):
        with pytest.raises(ModelError, match="do not fit together"):
            unpack_trees(
                arrays | {"event_right": arrays["event_right"][:-1]}, "event", n_features=6
            )

    @pytest.mark.parametrize(
        ("name", "place", "value"),
        [
            ("left", 0, 0),  # a loop: the walk would not end
            ("right", 0, 10**6),
            ("feature", 0, 6),
            ("feature", 0, -1),
            ("roots", (0, 0), 10**6),
            ("roots", (0, 0), -1),
            ("value", 1, np.nan),
        ],
    )
    def test_a_tree_that_points_outside(self, arrays, name, place, value):
        changed = arrays[f"event_{name}"].copy()
        changed[place] = value
        with pytest.raises(ModelError, match="points outside itself"):
            unpack_trees(arrays | {f"event_{name}": changed}, "event", n_features=6)

    def test_baseline_of_another_size(self, arrays):
        trees = unpack_trees(arrays, "event", n_features=6)
        changed = pack_trees(dataclasses.replace(trees, baseline=np.zeros(3)), "event")
        with pytest.raises(ModelError, match="points outside itself"):
            unpack_trees(changed, "event", n_features=6)
