"""Whether and how a charge burns once its plug has sparked, or not."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from misfire.simulate.engine.firing import Firing
from misfire.simulate.engine.gap import compute_ignition_probability
from misfire.simulate.scenario import EngineModel

HEAT_J = 2250.0  # of the fuel in a litre of stoichiometric charge at 1 bar, less wall losses
EXHAUST_BAR = 1.04


@dataclass(frozen=True, slots=True)
class Burn:
    """Heat release of one firing."""

    heat_j: float
    start_deg: float  # after TDC
    duration_deg: float


class Combustion:
    """Decides the burns of an engine; remembers which cylinder was left unburnt."""

    def __init__(self, engine: EngineModel, *, coolant_c: float, rng: np.random.Generator) -> None:
        """Take the engine's spread, wider when cold."""
        self.engine, self.rng = engine, rng
        self.cold = max(0.0, 60.0 - coolant_c) / 60.0
        self.cov = engine.cov * (1 + self.cold)
        self._fresh = [False] * engine.cylinders  # unburnt last time: less burnt gas is left

    def decide(
        self, firing: Firing, *, place: int, richness: float, intake_bar: float, advance_deg: float
    ) -> Burn | None:
        """Decide the burn of one firing and note in it what came.

        Parameters
        ----------
        firing : Firing
            Changed in place: `misfire`, `partial`, `burned`.
        place : int
            Of the cylinder in the firing order.
        richness : float
            Fuel over stoichiometric fuel.
        intake_bar : float [unit=bar]
            Charge that stays in this cylinder, as intake pressure.
        advance_deg : float [unit=crank degrees before TDC]

        Returns
        -------
        burn : Burn, or None where nothing burned

        Notes
        -----
        Cyclic variation of heat, start and duration is drawn anew for each firing (common
        practice: coefficients of variation of 1-3 % at load, 5-10 % and more at idle).
        """
        engine, rng = self.engine, self.rng
        load = firing.intake_bar
        residual = min(0.4, max(0.04, 0.06 + 0.08 * (EXHAUST_BAR / max(0.15, load) - 1)))
        first = firing.strikes[0][1].burn_s if firing.strikes else 0.0
        chance = compute_ignition_probability(
            firing.energy_mj / (1 + 0.5 * min(1.0, self.cold)),
            first * 1e3 * len(firing.strikes),
            richness=richness,
            residual=residual,
            need=engine.spark_need,
        )
        fresh, self._fresh[place] = self._fresh[place], False
        if float(rng.random()) >= chance:
            firing.misfire = self._fresh[place] = True
            return None
        noise = rng.standard_normal(3).tolist()
        light = min(1.0, max(0.0, (0.65 - load) / 0.3))
        cov = self.cov * (0.35 + 0.65 * light)
        lean = max(0.0, 1.0 - richness)
        partial = 0.06 * max(0.0, cov - 0.03) + 1.5 * max(0.0, lean - 0.2) + 0.35 * (1.0 - chance)
        share = 1.0
        if float(rng.random()) < min(0.5, partial):
            share = float(rng.uniform(0.2, 0.8))
        length = engine.burn_deg * (1 + 0.25 * firing.rpm / 3000.0) * (1 + 0.9 * (residual - 0.15))
        length *= 1 + 2.2 * lean + 0.4 * max(0.0, richness - 1.2)
        length *= math.exp((0.04 + 1.6 * cov) * noise[0])
        start = -advance_deg + 0.16 * length * math.exp(0.25 * noise[1])
        fuel = richness if richness <= 1 else max(0.3, 1 - 0.3 * (richness - 1))
        heat = HEAT_J * intake_bar * (1 - residual) * fuel
        heat *= engine.displacement_l / engine.cylinders
        heat *= share * max(0.3, 1 + 0.6 * cov * noise[2]) * (1.06 if fresh else 1.0)
        firing.burned = share
        firing.partial = share < 0.7
        return Burn(heat, start, min(160.0, length))
