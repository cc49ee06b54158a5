"""Twist of the crankshaft: the first torsional mode of two inertias, seen by a sensor at an end."""

from __future__ import annotations

import cmath
import math

import numpy as np

from misfire.simulate.engine.cylinder import STEP_DEG
from misfire.simulate.engine.track import FloatArray, find_instants
from misfire.simulate.scenario import EngineModel

VEE_FROM = 8  # cylinders: from here on two to a throw
FLYWHEEL_SHARE = 0.1  # of the front end's swing, the other way: the flywheel's inertia is ten times


def place_throw(cylinder: int, n_cylinders: int) -> float:
    """Tell how far from the flywheel a cylinder pushes the crank.

    Parameters
    ----------
    cylinder : int [>= 1]
        Number 1 stands at the front.
    n_cylinders : int

    Returns
    -------
    far : float
        Share of the crank's length: 0 at the flywheel, 1 at the front end.

    Examples
    --------
    >>> [round(place_throw(c, 6), 2) for c in (1, 6)]
    [0.92, 0.08]
    """
    throws = n_cylinders // 2 if n_cylinders >= VEE_FROM else n_cylinders
    return (throws - (cylinder - 1) % throws - 0.5) / throws


def compute_twist(torque_nm: FloatArray, time_s: FloatArray, engine: EngineModel) -> FloatArray:
    """Compute how far the front end runs ahead of the flywheel.

    Parameters
    ----------
    torque_nm : float64 array [shape=(n_steps,), unit=Nm]
        Of all cylinders, each times its distance from the flywheel; constant within a step.
    time_s : float64 array [shape=(n_steps + 1,), unit=s]
        Instants of the step edges.
    engine : EngineModel

    Returns
    -------
    twist_rad : float64 array [shape=(n_steps + 1,)]

    Notes
    -----
    A mass on a damped spring under a force that is constant within each step, solved in closed
    form: about its rest under that force the mass swings as exp((-d + i sqrt(1 - d^2)) w t).
    Source: any handbook of mechanical vibration.
    """
    omega = 2.0 * math.pi * engine.torsion_hz
    damped = omega * math.sqrt(1.0 - engine.torsion_damping**2)
    decay = complex(-engine.torsion_damping * omega, damped)
    rest = torque_nm * math.radians(engine.twist_deg_100nm) / 100.0
    twist = np.empty(time_s.size)
    twist[0] = place = float(rest[0])
    speed, lasts = 0.0, np.diff(time_s)
    for k, (at_rest, turn_s) in enumerate(zip(rest.tolist(), lasts.tolist(), strict=True), start=1):
        off = place - at_rest
        swing = complex(off, -(speed - decay.real * off) / damped) * cmath.exp(decay * turn_s)
        place = at_rest + swing.real
        speed = decay.real * swing.real - damped * swing.imag
        twist[k] = place
    return twist


def see_from_end(
    first_deg: float, time_s: FloatArray, speed: FloatArray, twist_rad: FloatArray, *, end: str
) -> tuple[FloatArray, FloatArray]:
    """Give instants and speed of one end of the crank at the step edges.

    Parameters
    ----------
    first_deg : float [unit=crank degrees]
    time_s, speed : float64 array [shape=(n_edges,), unit=s, rad/s]
        Of the crank as a whole.
    twist_rad : float64 array [shape=(n_edges,)]
        From `compute_twist`.
    end : str
        "front" or "flywheel".

    Returns
    -------
    time_s, speed : float64 array [shape=(n_edges,)]
    """
    ahead = np.degrees(twist_rad) * (1.0 if end == "front" else -FLYWHEEL_SHARE)
    edges_deg = first_deg + STEP_DEG * np.arange(time_s.size)
    crank_deg = edges_deg - ahead
    for _ in range(3):  # the end stands at the edge where crank and twist together do
        crank_deg = edges_deg - np.interp(crank_deg, edges_deg, ahead)
    inside = np.clip(np.maximum.accumulate(crank_deg), edges_deg[0], edges_deg[-1])
    seen_s = find_instants(inside, first_deg=first_deg, time_s=time_s, speed=speed)
    lasts = np.maximum(np.diff(seen_s), 1e-9)  # the end may all but stand still
    seen_s = np.concatenate((seen_s[:1], seen_s[0] + np.cumsum(lasts)))
    gain = np.interp(inside, edges_deg, np.gradient(ahead, STEP_DEG))
    return seen_s, np.interp(inside, edges_deg, speed) * np.maximum(1.0 + gain, 0.1)
