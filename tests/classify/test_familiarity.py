"""How far a vehicle is from a training, against scikit-learn's nearest neighbours."""

import numpy as np
import pytest
from sklearn.neighbors import NearestNeighbors
from sklearn.preprocessing import StandardScaler

from misfire.classify.familiarity import (
    OWN_SHARE,
    learn_familiar,
    pack_familiar,
    unpack_familiar,
)

NAMES = ("a", "b", "c", "d")


@pytest.fixture(scope="module")
def values():
    return np.random.default_rng(1).normal(3.0, 2.0, (300, 4))


@pytest.fixture(scope="module")
def familiar(values):
    return learn_familiar(NAMES, values, [f"v{i}" for i in range(len(values))])


def test_distance_and_limit_are_those_of_nearest_neighbours(values, familiar):
    scaler = StandardScaler().fit(values)
    near = NearestNeighbors(n_neighbors=2).fit(scaler.transform(values))
    to_another = near.kneighbors(scaler.transform(values))[0][:, 1] / 2.0  # root mean square of 4
    assert familiar.limit == pytest.approx(np.quantile(to_another, OWN_SHARE))
    new = np.array([3.0, 3.0, 3.0, 40.0])
    distance, name = familiar.find_distance(new)
    expected = near.kneighbors(scaler.transform(new[None]))[0][0, 0] / 2.0
    assert distance == pytest.approx(expected)
    assert name == "d"


def test_of_vehicles_like_those_about_one_in_a_hundred_is_called_strange(familiar):
    new = np.random.default_rng(2).normal(3.0, 2.0, (4000, 4))
    strange = np.mean([familiar.find_distance(row)[0] > familiar.limit for row in new])
    assert 0.003 < strange < 0.03


def test_recordings_of_one_vehicle_are_no_measure_of_how_far_others_are(values):
    twice = np.concatenate((values, values + 1e-6))
    groups = [f"v{i}" for i in range(len(values))] * 2
    alone = learn_familiar(NAMES, values, groups[: len(values)])
    assert learn_familiar(NAMES, twice, groups).limit == pytest.approx(alone.limit, rel=1e-3)


def test_what_is_not_measured_speaks_neither_way(values, familiar):
    assert familiar.find_distance(np.full(4, np.nan))[0] < familiar.limit
    with_gaps = np.where(np.random.default_rng(3).random(values.shape) < 0.2, np.nan, values)
    found = learn_familiar(NAMES, with_gaps, [f"v{i}" for i in range(len(values))])
    assert np.isfinite(found.rows).all()
    assert found.centre == pytest.approx(np.nanmean(with_gaps, axis=0))


def test_a_descriptor_that_never_differs_does_not_make_all_others_strange():
    found = learn_familiar(NAMES, np.ones((50, 4)), [f"v{i}" for i in range(50)])
    assert found.find_distance(np.array([1.0, 1.0, 1.0, 1.05]))[0] < 0.3


def test_there_and_back(familiar):
    again = unpack_familiar(pack_familiar(familiar), NAMES)
    assert again.limit == familiar.limit
    assert np.array_equal(again.rows, familiar.rows)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("familiar_rows", np.zeros((0, 4))),
        ("familiar_rows", np.full((2, 4), np.nan)),
        ("familiar_rows", np.zeros((2, 3))),
        ("familiar_scale", np.zeros((2, 4))),
        ("familiar_limit", np.zeros(2)),
    ],
)
def test_arrays_that_do_not_fit(familiar, name, value):
    with pytest.raises(ValueError, match="what is familiar"):
        unpack_familiar(pack_familiar(familiar) | {name: value}, NAMES)
