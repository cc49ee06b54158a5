"""Figures of merit against worked values, closed forms and scikit-learn."""

from dataclasses import asdict

import numpy as np
import pytest
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss, confusion_matrix, roc_curve

from misfire.errors import ParameterError
from misfire.learning.calibration import (
    RecallCurve,
    bootstrap,
    compute_brier,
    compute_ece,
    decompose_brier,
    resample_groups,
    tabulate_reliability,
    tally_confusion,
)


def draw(n, seed=0):
    """Draw probabilities and outcomes that are somewhat too sure."""
    rng = np.random.default_rng(seed)
    p = rng.beta(0.4, 0.9, n)
    return p, rng.random(n) < 0.1 + 0.8 * p


class TestBrier:
    def test_worked_example(self):
        # ((0.1)^2 + (0.1)^2 + (0.2)^2 + (0.3)^2) / 4
        p, y = np.array([0.1, 0.9, 0.8, 0.3]), np.array([False, True, True, False])
        assert compute_brier(p, y) == pytest.approx(0.0375, abs=1e-15)

    @pytest.mark.parametrize("weighted", [False, True])
    def test_against_sklearn(self, weighted):
        p, y = draw(500)
        weight = np.random.default_rng(1).integers(0, 4, 500).astype(float) if weighted else None
        expected = brier_score_loss(y, p, sample_weight=weight)
        assert compute_brier(p, y, weight) == pytest.approx(expected, abs=1e-14)

    def test_murphys_parts_add_up_where_each_bin_says_one_thing(self):
        rng = np.random.default_rng(3)
        p = rng.integers(0, 10, 400) / 10 + 0.05
        y = rng.random(400) < p**2
        parts = decompose_brier(p, y)
        assert parts.within_bins == pytest.approx(0, abs=1e-14)
        assert parts.reliability - parts.resolution + parts.uncertainty == pytest.approx(
            brier_score_loss(y, p), abs=1e-14
        )
        # each part from its definition, class by class (Murphy 1973)
        base, n = y.mean(), p.size
        classes = [(said, y[p == said]) for said in np.unique(p)]
        reliability = sum(o.size * (said - o.mean()) ** 2 for said, o in classes) / n
        resolution = sum(o.size * (o.mean() - base) ** 2 for _, o in classes) / n
        assert parts.reliability == pytest.approx(reliability, abs=1e-14)
        assert parts.resolution == pytest.approx(resolution, abs=1e-14)
        assert parts.uncertainty == pytest.approx(base * (1 - base), abs=1e-14)

    def test_one_weight_each_is_no_weight(self):
        p, y = draw(100)
        weighted = decompose_brier(p, y, np.ones(100))
        plain = decompose_brier(p, y)
        assert asdict(weighted) == pytest.approx(asdict(plain), rel=1e-12)  # sums in another order

    def test_a_constant_forecast_resolves_nothing(self):
        y = np.array([True, False, False, False])
        parts = decompose_brier(np.full(4, 0.25), y)
        assert (parts.reliability, parts.resolution) == (0, 0)
        assert parts.brier == pytest.approx(parts.uncertainty)

    def test_of_nothing(self):
        none = np.empty(0)
        assert np.isnan(compute_brier(none, none.astype(bool)))
        assert np.isnan(decompose_brier(none, none.astype(bool)).resolution)
        assert np.isnan(compute_ece(none, none.astype(bool)))


class TestCalibration:
    def test_worked_example(self):
        # Guo's formula by hand, 10 equal bins: (0.15 + 0.2 + 0.75 + 0.25 + 0.1) / 8
        said = np.array([0.95, 0.90, 0.80, 0.75, 0.65, 0.60, 0.55, 0.55])
        right = np.array([1, 1, 1, 0, 1, 0, 1, 0], bool)
        assert compute_ece(said, right) == pytest.approx(0.18125, abs=1e-12)

    def test_bins_against_sklearn(self):
        p, y = draw(800)
        happened, said = calibration_curve(y, p, n_bins=10, strategy="uniform")
        rows = tabulate_reliability(p, y)
        assert [r["said"] for r in rows] == pytest.approx(said.tolist())
        assert [r["happened"] for r in rows] == pytest.approx(happened.tolist())
        assert sum(r["n"] for r in rows) == 800
        assert all(r["low"] <= r["happened"] <= r["high"] for r in rows)

    def test_weights_are_copies(self):
        p, y = draw(60)
        weight = np.random.default_rng(5).integers(0, 3, 60)
        copied = compute_ece(np.repeat(p, weight), np.repeat(y, weight))
        assert compute_ece(p, y, weight.astype(float)) == pytest.approx(copied, abs=1e-14)

    def test_certainty_is_in_the_last_bin(self):
        assert tabulate_reliability(np.array([1.0]), np.array([True]))[0]["from"] == 0.9


class TestRecall:
    @pytest.mark.parametrize("false_share", [0.0, 0.01, 0.1, 0.5, 1.0])
    def test_against_the_roc_of_sklearn(self, false_share):
        p, y = draw(700, seed=2)
        p = np.round(p, 2)  # ties
        group = np.arange(700) % 9
        false, recall, _ = roc_curve(y, p, drop_intermediate=False)
        found = RecallCurve(p, y, group).find(np.ones(9), false_share=false_share)
        assert found == pytest.approx(recall[false <= false_share].max())

    def test_weights_are_copies_of_vehicles(self):
        p, y = draw(300, seed=4)
        group = np.arange(300) % 5
        weight = np.array([2, 0, 1, 3, 0])
        copies = np.repeat(np.arange(300), weight[group])
        false, recall, _ = roc_curve(y[copies], p[copies], drop_intermediate=False)
        found = RecallCurve(p, y, group).find(weight.astype(float), false_share=0.05)
        assert found == pytest.approx(recall[false <= 0.05].max())

    def test_nothing_lost(self):
        curve = RecallCurve(np.array([0.1, 0.2]), np.zeros(2, bool), np.zeros(2, int))
        assert np.isnan(curve.find(np.ones(1), false_share=0.1))


class TestResampling:
    def test_each_resample_has_as_many_vehicles(self):
        counts = resample_groups(7, seed=1, resamples=50)
        assert counts.shape == (50, 7)
        assert (counts.sum(axis=1) == 7).all()
        assert (resample_groups(7, seed=1, resamples=50) == counts).all()
        assert (resample_groups(7, seed=2, resamples=50) != counts).any()

    def test_no_vehicle(self):
        with pytest.raises(ParameterError, match="at least one vehicle"):
            resample_groups(0, seed=0)

    def test_interval_of_a_mean(self):
        # the mean of n normal values has standard error s / sqrt(n): 95 % within 1.96 of them
        x = np.random.default_rng(6).normal(3.0, 2.0, 200)
        figure = bootstrap(
            lambda w: float(w @ x / w.sum()), resample_groups(200, seed=0, resamples=4000)
        )
        half = 1.96 * x.std() / np.sqrt(200)
        assert figure.value == pytest.approx(x.mean())
        assert figure.high - figure.low == pytest.approx(2 * half, rel=0.06)

    def test_centred_interval_holds_the_value(self):
        # a perfectly calibrated judge: binning error of the resamples is above that of the sample
        rng = np.random.default_rng(9)
        p = rng.random(400)
        y = rng.random(400) < p
        counts = resample_groups(400, seed=0)
        plain = bootstrap(lambda w: decompose_brier(p, y, w).reliability, counts)
        centred = bootstrap(
            lambda w: decompose_brier(p, y, w).reliability, counts, centred=True, least=0.0
        )
        assert 0 <= centred.low < centred.value < centred.high < plain.high

    def test_rows_of_one_vehicle_are_not_independent(self):
        # 100 equal rows a vehicle: the interval must be as wide as that of the 20 vehicles
        x = np.repeat(np.random.default_rng(7).normal(size=20), 100)
        group = np.repeat(np.arange(20), 100)
        counts = resample_groups(20, seed=0, resamples=2000)
        figure = bootstrap(lambda w: float(w[group] @ x / w[group].sum()), counts)
        expected = 2 * 1.96 * x.std() / np.sqrt(20)
        assert figure.high - figure.low == pytest.approx(expected, rel=0.15)


def test_confusion_against_sklearn():
    rng = np.random.default_rng(8)
    names = ["a", "b", "c"]
    truth, said = rng.choice(names, 50).tolist(), rng.choice(names, 50).tolist()
    assert (tally_confusion(truth, said, names) == confusion_matrix(truth, said)).all()
