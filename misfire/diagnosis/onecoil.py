"""One coil for several cylinders: its own fault, against faults of each cylinder by itself."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from misfire.classify.model import expit
from misfire.diagnosis.firings.explanation import LAPSE
from misfire.diagnosis.firings.states import KINDS
from misfire.records import FAULT_TYPES

COIL_PRIOR = 0.03  # a coil at fault that fires several cylinders (common practice, rough)
CYLINDER_PRIOR = 0.1  # a cylinder at fault by itself, in recordings of engines that stumble
KIND_PRIOR_OF_COIL = {
    # The coil, its switch, and what leads from it to all of its cylinders (common practice, rough).
    "weak_coil": 0.5,
    "no_primary": 0.2,
    "open_secondary": 0.3,
}


def weigh_coils(
    odds: NDArray[np.float64],
    kinds: NDArray[np.float64],
    evidence: NDArray[np.float64],
    coils: Sequence[tuple[int, ...]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weigh for every coil that it is at fault itself, which all of its cylinders then are.

    Parameters
    ----------
    odds : float64 array [shape=(n_cylinders,)]
        Log odds that each cylinder is at fault, by its own firings.
    kinds : float64 array [shape=(n_cylinders, len(FAULT_TYPES))]
        Shares of the kinds of fault, were each cylinder at fault by itself; rows sum to 1.
    evidence : float64 array [shape=(n_cylinders, len(KINDS))]
        Log likelihood of each kind, up to what is the same for all kinds.
    coils : sequence of tuples of cylinders

    Returns
    -------
    odds : float64 array [shape=(n_cylinders,)]
        That each cylinder is at fault, by itself or with its coil.
    kinds : float64 array [shape=(n_cylinders, len(FAULT_TYPES))]

    Notes
    -----
    Bayes' rule over two hypotheses. One coil: the likelihood ratios of its cylinders multiply, and
    a fault is rare once; a cylinder that works as it should speaks against it, and so do sparks
    that none of the coil's kinds of fault would leave as they are. Each by itself: a
    cylinder is sound or not on its own, and faults are rare each time. What all cylinders of a coil
    have may also be of none of the coil's faults (one fuel rail, one wheel): `LAPSE` of the kinds'
    shares stays as each cylinder by itself has it.
    """
    odds, kinds = odds.copy(), kinds.copy()
    prior = np.log(CYLINDER_PRIOR / (1.0 - CYLINDER_PRIOR))
    places = [FAULT_TYPES.index(kind) for kind in KIND_PRIOR_OF_COIL]
    columns = np.array([list(KINDS).index(kind) for kind in KIND_PRIOR_OF_COIL])
    rare = np.log(list(KIND_PRIOR_OF_COIL.values()))
    for coil in coils:
        own = np.array(coil) - 1
        told = odds[own] - prior  # log likelihood of a fault over a sound cylinder
        likely = rare + evidence[np.ix_(own, columns)].mean(axis=0)
        any_kind = np.logaddexp.reduce(evidence[own].mean(axis=0)) - np.log(evidence.shape[1])
        fits = float(np.logaddexp.reduce(likely) - any_kind)
        one = np.log(COIL_PRIOR) + float(told.sum()) + fits
        each = np.log1p(-COIL_PRIOR) + float(
            np.logaddexp(np.log1p(-CYLINDER_PRIOR), np.log(CYLINDER_PRIOR) + told).sum()
        )
        chance = float(expit(np.array(one - each)))
        alone = expit(odds[own])
        faulty = np.clip(chance + (1.0 - chance) * alone, 1e-9, 1.0 - 1e-9)
        of_coil = np.zeros(len(FAULT_TYPES))
        of_coil[places] = np.exp(likely - np.logaddexp.reduce(likely))
        share = (1.0 - LAPSE) * (chance / faulty)[:, None]
        kinds[own] = share * of_coil + (1.0 - share) * kinds[own]
        odds[own] = np.log(faulty / (1.0 - faulty))
    return odds, kinds
