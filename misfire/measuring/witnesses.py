"""Which kinds of evidence a recording holds for each cylinder."""

import numpy as np

from misfire.limits import CRANKING_RPM
from misfire.measuring.evidence import Evidence


def find_witnesses(evidence: Evidence) -> dict[int, frozenset[str]]:
    """Which kinds of evidence each cylinder has; see WITNESSES of the separability table."""
    firings = evidence.firings
    torque = np.isfinite(evidence.torque.deficit_z)
    cranking = torque & (firings.rpm < CRANKING_RPM)
    found = {}
    for cylinder in range(1, evidence.recording.job.engine.cylinders + 1):
        own = firings.cylinder == cylinder
        have = set()
        if own.any():
            if np.isfinite(evidence.strokes["burn_time_ms"][own]).mean() > 0.3:
                have.add("burn")
            if np.isfinite(evidence.strokes["peak_current_a"][own]).mean() > 0.3:
                have.add("current")
            if (evidence.strokes["watched"][own] > 0).any():
                have.add("switching")
            if evidence.has_crank and torque[own].mean() > 0.3:
                have.add("torque")
            if evidence.has_crank and cranking[own].sum() >= 3:
                have.add("cranking")
            compared = evidence.compression
            if compared is not None and any(
                np.isfinite(v[cylinder - 1]) for v in compared.relative.values()
            ):
                have.add("cranking")
        found[cylinder] = frozenset(have)
    return found
