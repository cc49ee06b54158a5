"""One cylinder: slider-crank, polytropic compression and expansion, heat release, torque."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.simulate.scenario import EngineModel

STEPS = 180  # steps of a cycle: 4 crank degrees each
STEP_DEG = 720.0 / STEPS
POLYTROPIC = 1.30  # Heywood ch. 9.2, from memory: 1.30 +- 0.05
IVC_DEG = -140.0  # intake closes, from compression TDC
EVO_DEG = 135.0  # exhaust opens
WIEBE_A, WIEBE_M = 5.0, 2.0  # Heywood, from memory

FloatArray = NDArray[np.floating[Any]]


def compute_travel(angle_deg: FloatArray, *, crank_mm: float, rod_mm: float) -> FloatArray:
    """Compute the piston's way from top dead centre.

    Parameters
    ----------
    angle_deg : float64 array [unit=crank degrees after TDC]
    crank_mm, rod_mm : float [unit=mm, > 0, rod > crank]

    Returns
    -------
    travel_mm : float64 array [unit=mm]

    Notes
    -----
    Source: Heywood, Internal Combustion Engine Fundamentals, ch. 2.

    Examples
    --------
    >>> round(float(compute_travel(np.array([90.0]), crank_mm=43, rod_mm=143)[0]), 3)
    49.618
    """
    t = np.radians(angle_deg)
    return crank_mm * (1 - np.cos(t)) + rod_mm - np.sqrt(rod_mm**2 - (crank_mm * np.sin(t)) ** 2)


def compute_arm(angle_deg: FloatArray, *, crank_mm: float, rod_mm: float) -> FloatArray:
    """Compute the torque arm, which is the derivative of the travel by the angle [mm/rad]."""
    t = np.radians(angle_deg)
    s, c = np.sin(t), np.cos(t)
    return crank_mm * s * (1 + crank_mm * c / np.sqrt(rod_mm**2 - (crank_mm * s) ** 2))


def compute_burned(
    angle_deg: FloatArray,
    *,
    start_deg: float,
    duration_deg: float,
    a: float = WIEBE_A,
    m: float = WIEBE_M,
) -> FloatArray:
    """Compute the burned share of the charge (Wiebe): 1 - exp(-a ((t - start) / duration)^(m+1)).

    It does not stop at `duration_deg`: the tail after it is below one per cent.
    """
    x = np.maximum(0.0, (angle_deg - start_deg) / duration_deg)
    return np.asarray(1.0 - np.exp(-a * x ** (m + 1)))


@dataclass(frozen=True, slots=True)
class Cylinder:
    """Tables of one cylinder over its own phase, on the half-step grid and on the steps.

    Phase runs from -180 to +540 degrees after compression TDC; `offset_deg` is where the first
    step begins after -180 (the common step grid seldom meets a cylinder's TDC).
    """

    swept_m3: float
    clearance_m3: float
    phase_deg: FloatArray  # centres of the half steps [shape=(2 * STEPS,)]
    volume_m3: FloatArray
    dv_m3: FloatArray  # volume change over a half step
    closed_work: FloatArray  # J a bar of intake pressure, compression and expansion [STEPS]
    intake_work: FloatArray  # J a bar, intake stroke and the part before the valve closes [STEPS]
    exhaust_work: FloatArray  # J a bar, exhaust stroke and the part after the valve opens [STEPS]
    inertia_kgm2: FloatArray  # of the reciprocating mass at each step's centre [STEPS]
    inertia_slope: FloatArray  # d(inertia)/d(angle) / 2 [STEPS]

    def compute_combustion(
        self, heat_j: float, *, start_deg: float, duration_deg: float
    ) -> FloatArray:
        """Compute the work of each step that the combustion adds.

        Parameters
        ----------
        heat_j : float [unit=J, >= 0]
        start_deg, duration_deg : float [unit=crank degrees after TDC; > 0]
            Wiebe start and duration.

        Returns
        -------
        work_j : float64 array [shape=(STEPS,), unit=J]

        Notes
        -----
        From d(p V^n) = (n - 1) V^(n-1) dQ, integrated, so it adds to compression and expansion.
        Source: first law for a closed volume of ideal gas, Heywood ch. 9.
        """
        work = np.zeros(2 * STEPS)
        # half steps cut at the start of heat and the opening of the exhaust valve
        first = int(np.searchsorted(self.phase_deg, start_deg - STEP_DEG / 2))
        last = int(np.searchsorted(self.phase_deg, EVO_DEG))
        part = slice(first, last)
        edges = np.append(self.phase_deg[part], self.phase_deg[last]) - STEP_DEG / 4
        burned = compute_burned(edges, start_deg=start_deg, duration_deg=duration_deg)
        volume = self.volume_m3[part]
        added = np.cumsum(volume ** (POLYTROPIC - 1) * np.diff(burned))
        added -= 0.5 * volume ** (POLYTROPIC - 1) * np.diff(burned)  # at the half step's centre
        pressure = (POLYTROPIC - 1) * heat_j * added * volume**-POLYTROPIC
        work[part] = pressure * self.dv_m3[part]
        return np.asarray(work.reshape(STEPS, 2).sum(axis=1))

    def compute_density(self, intake_bar: float, intake_k: float, angle_deg: float) -> float:
        """Compute gas density in the gap relative to 1.01325 bar, 293 K."""
        pressure, temperature = self.compute_state(intake_bar, intake_k, angle_deg)
        return pressure / 1.01325 * 293.0 / temperature

    def compute_state(
        self, intake_bar: float, intake_k: float, angle_deg: float
    ) -> tuple[float, float]:
        """Compute pressure [bar] and temperature [K] of the compressed charge at an angle."""
        volume = np.interp(angle_deg, self.phase_deg, self.volume_m3)
        start = np.interp(IVC_DEG, self.phase_deg, self.volume_m3)
        ratio = max(1.0, float(start / volume))
        return intake_bar * ratio**POLYTROPIC, intake_k * ratio ** (POLYTROPIC - 1)


def make_cylinder(engine: EngineModel, *, offset_deg: float) -> Cylinder:
    """Compute a cylinder's tables.

    Parameters
    ----------
    engine : EngineModel
    offset_deg : float [unit=crank degrees, 0 <= offset < STEP_DEG]
        Phase of the first step's start, counted from -180.

    Returns
    -------
    cylinder : Cylinder
    """
    swept = engine.displacement_l * 1e-3 / engine.cylinders
    bore = (4 * swept / (math.pi * engine.stroke_bore)) ** (1 / 3)
    crank_m = engine.stroke_bore * bore / 2
    rod_m = crank_m * engine.rod_crank
    area = math.pi * bore**2 / 4
    clearance = swept / (engine.compression_ratio - 1)
    half = STEP_DEG / 2
    edges = -180.0 + offset_deg + half * np.arange(2 * STEPS + 1)
    phase = edges[:-1] + half / 2
    travel = compute_travel(edges, crank_mm=crank_m * 1e3, rod_mm=rod_m * 1e3) * 1e-3
    dv = area * np.diff(travel)
    centre = compute_travel(phase, crank_mm=crank_m * 1e3, rod_mm=rod_m * 1e3) * 1e-3
    volume = clearance + area * centre
    ivc = np.interp(IVC_DEG, phase, volume)
    bar = 1e5
    closed = (phase > IVC_DEG) & (phase < EVO_DEG)
    closed_work = np.where(closed, bar * (ivc / volume) ** POLYTROPIC * dv, 0.0)
    intake = (phase <= IVC_DEG) | (phase >= 360)
    exhaust = ~closed & ~intake
    arm_edges = compute_arm(edges, crank_mm=crank_m * 1e3, rod_mm=rod_m * 1e3) * 1e-3
    inertia_edges = engine.piston_kg * arm_edges**2
    steps = inertia_edges[::2]
    return Cylinder(
        swept_m3=swept,
        clearance_m3=clearance,
        phase_deg=phase,
        volume_m3=volume,
        dv_m3=dv,
        closed_work=closed_work.reshape(STEPS, 2).sum(axis=1),
        intake_work=np.where(intake, bar * dv, 0.0).reshape(STEPS, 2).sum(axis=1),
        exhaust_work=np.where(exhaust, bar * dv, 0.0).reshape(STEPS, 2).sum(axis=1),
        inertia_kgm2=inertia_edges[1::2],
        inertia_slope=0.5 * np.diff(steps) / math.radians(STEP_DEG),
    )
