"""Electrical breakdown of a gap, and how a spark sets fire to a charge."""

from __future__ import annotations

import math


def compute_breakdown_kv(gap_mm: float, density: float) -> float:
    """Compute the breakdown voltage of a uniform field in air.

    Parameters
    ----------
    gap_mm : float [unit=mm, >= 0]
    density : float [> 0]
        Gas density relative to 1.01325 bar and 293 K.

    Returns
    -------
    breakdown_kv : float [unit=kV]

    Notes
    -----
    Source: V = 24.22 (delta d) + 6.08 sqrt(delta d), d in cm; Kuffel, High Voltage Engineering
    (from memory). Never below the Paschen minimum of air, 0.33 kV.

    Examples
    --------
    >>> round(compute_breakdown_kv(1.0, 1.0), 3)
    4.345
    """
    product = density * gap_mm * 0.1
    return max(0.33, 24.22 * product + 6.08 * math.sqrt(product))


def compute_paschen_v(gap_cm: float, pressure_kpa: float) -> float:
    """Compute Paschen's breakdown voltage of air at room temperature [V].

    Source: V = B pd / (ln(A pd) - ln ln(1 + 1/gamma)), A = 112.501 and B = 2737.50 /(kPa cm),
    gamma 0.01; Lieberman and Lichtenberg's set. Used to check the uniform-field form.

    Examples
    --------
    >>> round(compute_paschen_v(0.1, 101.325), 1)
    5034.6
    """
    pd = gap_cm * pressure_kpa
    return 2737.50 * pd / (math.log(112.501 * pd) - math.log(math.log(1 + 1 / 0.01)))


def compute_ignition_probability(
    energy_mj: float, duration_ms: float, *, richness: float, residual: float, need: float = 1.0
) -> float:
    """Compute the probability that a spark starts a flame.

    Parameters
    ----------
    energy_mj : float [unit=mJ]
        Electrical energy that the gap received after breakdown.
    duration_ms : float [unit=ms]
    richness : float
        Fuel over stoichiometric fuel.
    residual : float [0..1]
        Burnt gas left from the cycle before.
    need : float [> 0]
        What this engine asks of a spark, energy and duration alike, over the usual.

    Returns
    -------
    probability : float [0..1]

    Notes
    -----
    The order of magnitude follows Heywood 9.5 (0.2 mJ for a quiescent stoichiometric charge, 30 to
    50 mJ supplied in practice): a few mJ in the glow are wanted in a real engine, more for a lean
    or diluted charge. The steepness is a choice of this model.
    """
    if energy_mj <= 0 or duration_ms <= 0:
        return 0.0
    off = richness - 1.05  # easiest slightly rich
    # the flammable range: about 0.6 to 2.2 in an engine
    charge = 1 / (1 + math.exp((0.62 - richness) / 0.03)) / (1 + math.exp((richness - 2.1) / 0.12))
    energy = (
        1.5 * need * (1 + 9.0 * off * off + (14.0 * max(0.0, -off) ** 2)) * (1 + 3.0 * residual)
    )
    strength = math.log(energy_mj / energy)
    strength += 0.7 * math.log(min(1.0, duration_ms / (0.45 * need)))
    return charge / (1 + math.exp(-6.0 * (strength - 0.15)))
