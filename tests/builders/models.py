"""Small learned models and labelled cases, made in the test."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from sklearn.ensemble import HistGradientBoostingClassifier
from threadpoolctl import threadpool_limits

from misfire.classify.model import Model
from misfire.classify.separability import WITNESSES
from misfire.classify.trees import export_trees
from misfire.columns import (
    CYLINDER_COLUMNS,
    CYLINDER_INPUTS,
    EVENT_INPUTS,
    FIRING_COLUMNS,
)
from misfire.learning.cases import LabelledCase

threadpool_limits(limits=1)  # for the whole test run: threads wait for each other if it is busy

SICK = ("open_secondary", "fouled_plug", "weak_coil", "mixture")


def fit_trees(values, target, *, rounds=8):
    """Fit a small ensemble."""
    return HistGradientBoostingClassifier(
        max_iter=rounds, min_samples_leaf=5, early_stopping=False, random_state=0
    ).fit(values, target)


def draw_values(rng, n, n_columns):
    """Draw values of which some are missing."""
    values = rng.normal(size=(n, n_columns))
    values[rng.random(values.shape) < 0.15] = np.nan
    return values


@dataclass
class Made:
    """A model with what its bundle needs."""

    model: Model
    estimators: dict[str, Any]
    firings: np.ndarray
    cylinders: pd.DataFrame


def make_model(seed=0, n=300):
    """Fit two small ensembles on random rows of the right form."""
    rng = np.random.default_rng(seed)
    firings = draw_values(rng, n, len(EVENT_INPUTS))
    cylinders = pd.DataFrame(
        draw_values(rng, n, len(CYLINDER_COLUMNS)), columns=list(CYLINDER_COLUMNS)
    )
    cylinders["outstanding_surprise"] = rng.exponential(5.0, n)  # a count is never missing
    known = np.nan_to_num(firings[:, 0]) > 0.5
    estimators = {
        "event": fit_trees(firings, known),
        "cylinder": fit_trees(
            cylinders[list(CYLINDER_INPUTS)].to_numpy(), rng.random(n) < 0.4, rounds=6
        ),
    }
    model = Model(
        event=export_trees(estimators["event"]),
        event_knots=np.array([[-6.0, 6.0], [-5.0, 4.0]]),
        cylinder=export_trees(estimators["cylinder"]),
        cylinder_knots=np.array([[-6.0, 6.0], [-4.0, 5.0]]),
        weights=(-0.5, 0.8, 0.4),
        event_columns=tuple(EVENT_INPUTS),
        cylinder_columns=tuple(CYLINDER_INPUTS),
        manifest={"vehicles": 3, "seed": seed, "training_sha256": "0" * 64},
    )
    return Made(model, estimators, firings[:40], cylinders[:20])


def make_case(
    number, *, faulty=None, n_cylinders=4, n_cycles=60, resolved=True, events=True, strength=9.0
):
    """Make a measured case of random firings; a faulty cylinder lost a third of its firings.

    What is lost has a torque deficit of `strength` spreads; with `mates` 1-4 and 2-3.
    """
    rng = np.random.default_rng(number)
    faulty = faulty or {}
    n = n_cylinders * n_cycles
    cylinder = np.tile(np.arange(1, n_cylinders + 1), n_cycles)
    lost = np.isin(cylinder, list(faulty)) & (rng.random(n) < 0.35)
    table = pd.DataFrame(np.full((n, len(FIRING_COLUMNS)), np.nan), columns=list(FIRING_COLUMNS))
    for name in ("torque_deficit_z", "torque_own_z", "torque_step_z", "gain_deficit_z"):
        table[name] = rng.normal(size=n) + strength * lost
    table["torque_deficit_relative"] = table["torque_deficit_z"] / 8
    table["gain_deficit_relative"] = table["gain_deficit_z"] / 8
    table["torque_deficit_energy"] = 12.0 * table["torque_deficit_z"]
    table["torque_lack"] = table["torque_deficit_z"] / 9.0  # a lost firing lacks nine spreads
    table["torque_lack_sigma"], table["torque_unit_sigma"] = 1 / 9.0, 0.15
    table["torque_level_change"] = 0.0
    table["speed_rpm"] = 800.0 + 5 * rng.normal(size=n)
    table["cylinders"] = float(n_cylinders)
    table["no_dwell"] = 0.0
    table["no_breakdown"] = 0.0
    for kind in set(faulty.values()):
        rows = lost & np.isin(cylinder, [c for c, t in faulty.items() if t == kind])
        if kind == "open_secondary":
            table.loc[rows, "no_breakdown"] = 1.0
    return LabelledCase(
        group=f"vehicle-{number}",
        table=table,
        cylinder=cylinder,
        lost=lost if events else np.zeros(n, bool),
        known=np.full(n, events),
        disturbed=np.zeros(n, bool),
        n_cylinders=n_cylinders,
        faulty=faulty,
        crank_fault=False,
        resolved=resolved,
        witnesses={c: frozenset(WITNESSES) for c in range(1, n_cylinders + 1)},
        condition="idle",
        mates={1: 4, 4: 1, 2: 3, 3: 2} if n_cylinders == 4 else {},
        healthy=not faulty,
    )


def make_cases(n, *, first=0, **kinds):
    """Make cases of which two thirds have one faulty cylinder."""
    return [
        make_case(
            first + i,
            faulty={} if i % 3 == 0 else {1 + i % 4: SICK[i % len(SICK)]},
            **kinds,
        )
        for i in range(n)
    ]
