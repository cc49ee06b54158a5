"""Boosted trees as plain arrays: the same numbers as scikit-learn's, without importing it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.errors import ModelError

LARGEST_TREES = 200_000  # nodes; a bundle that claims more is refused


@dataclass(frozen=True, slots=True)
class Trees:
    """A boosted ensemble: `roots` [shape=(n_rounds, n_outputs)] index the node arrays.

    A row goes left where its feature is <= `threshold`, or is NaN and `missing_left`. A leaf has
    `left` -1. `baseline` [shape=(n_outputs,)] is added to the sum of leaf values.
    """

    feature: NDArray[np.int32]
    threshold: NDArray[np.float64]
    missing_left: NDArray[np.bool_]
    left: NDArray[np.int32]
    right: NDArray[np.int32]
    value: NDArray[np.float64]
    roots: NDArray[np.int32]
    baseline: NDArray[np.float64]


def export_trees(model: Any) -> Trees:
    """Take the trees out of a fitted HistGradientBoostingClassifier.

    Parameters
    ----------
    model : HistGradientBoostingClassifier
        Fitted on numerical features only.

    Returns
    -------
    trees : Trees

    Notes
    -----
    scikit-learn keeps them in private attributes; a test compares the result with predict_proba,
    so a release that changes them is noticed.
    """
    parts, roots, start = [], [], 0
    for round_ in model._predictors:
        row = []
        for predictor in round_:
            nodes = predictor.nodes
            row.append(start)
            leaf = nodes["is_leaf"].astype(bool)
            parts.append(
                (
                    nodes["feature_idx"].astype(np.int32),
                    nodes["num_threshold"].astype(float),
                    nodes["missing_go_to_left"].astype(bool),
                    np.where(leaf, -1, nodes["left"].astype(np.int64) + start).astype(np.int32),
                    np.where(leaf, -1, nodes["right"].astype(np.int64) + start).astype(np.int32),
                    nodes["value"].astype(float),
                )
            )
            start += nodes.size
        roots.append(row)
    feature, threshold, missing, left, right, value = (
        np.concatenate(c) for c in zip(*parts, strict=True)
    )
    return Trees(
        feature=feature,
        threshold=threshold,
        missing_left=missing,
        left=left,
        right=right,
        value=value,
        roots=np.array(roots, np.int32),
        baseline=np.asarray(model._baseline_prediction, float).ravel(),
    )


def compute_raw(trees: Trees, rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sum the leaves that each row falls into.

    Parameters
    ----------
    trees : Trees
    rows : float64 array [shape=(n, n_features)]
        NaN where not measurable.

    Returns
    -------
    raw : float64 array [shape=(n, n_outputs)]
        Log odds of a two-class model (one output), unnormalised log probabilities otherwise.
    """
    raw = np.tile(trees.baseline, (rows.shape[0], 1))
    columns = np.ascontiguousarray(rows.T)
    missing = np.isnan(columns)
    for row in trees.roots:
        for output, root in enumerate(row):
            raw[:, output] += _find_values(trees, int(root), columns, missing)
    return raw


def _find_values(
    trees: Trees, root: int, columns: NDArray[np.float64], missing: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Value of the leaf of one tree that each row falls into: each node parts the rows it gets."""
    values = np.empty(columns.shape[1])
    waiting = [(root, np.arange(values.size))]
    while waiting:
        node, rows = waiting.pop()
        if trees.left[node] < 0 or not rows.size:
            values[rows] = trees.value[node]
            continue
        feature = trees.feature[node]
        goes_left = columns[feature].take(rows) <= trees.threshold[node]
        if trees.missing_left[node]:
            goes_left |= missing[feature].take(rows)
        waiting.append((int(trees.left[node]), rows[goes_left]))
        waiting.append((int(trees.right[node]), rows[~goes_left]))
    return values


def pack_trees(trees: Trees, prefix: str) -> dict[str, NDArray[Any]]:
    """Name the arrays for an npz file."""
    return {f"{prefix}_{name}": getattr(trees, name) for name in Trees.__dataclass_fields__}


def unpack_trees(arrays: dict[str, NDArray[Any]], prefix: str, *, n_features: int) -> Trees:
    """Take trees out of an npz file's arrays, and refuse what could not have been written.

    Parameters
    ----------
    arrays : dict of arrays
    prefix : str
    n_features : int

    Returns
    -------
    trees : Trees

    Raises
    ------
    ModelError
        If an array is missing, has another form, or points outside.
    """
    try:
        trees = Trees(**{name: arrays[f"{prefix}_{name}"] for name in Trees.__dataclass_fields__})
    except KeyError as error:
        raise ModelError(f"model bundle: array {error} is missing; train it again") from None
    n = trees.value.size
    node_arrays = (trees.feature, trees.threshold, trees.missing_left, trees.left, trees.right)
    fits = all(a.ndim == 1 and a.size == n for a in node_arrays) and trees.roots.ndim == 2
    if not fits or not 0 < n <= LARGEST_TREES:
        raise ModelError("model bundle: the trees' arrays do not fit together; train it again")
    inner = trees.left >= 0
    order = np.arange(n)
    # Children come after their parent, so every walk ends.
    sound = (
        np.all(trees.left[inner] > order[inner])
        and np.all(trees.right[inner] > order[inner])
        and np.all(trees.left < n)
        and np.all(trees.right < n)
        and np.all((trees.feature >= 0) & (trees.feature < n_features))
        and np.all((trees.roots >= 0) & (trees.roots < n))
        and np.all(np.isfinite(trees.value))
        and trees.baseline.size == trees.roots.shape[1]
    )
    if not sound:
        raise ModelError("model bundle: a tree points outside itself; train it again")
    return trees
