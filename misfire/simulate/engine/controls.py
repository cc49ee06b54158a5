"""Driver and control unit: throttle, fuel cut, starter key and spark advance."""

from __future__ import annotations

import math

from misfire.simulate.engine.drive import Plan
from misfire.simulate.scenario import EngineModel

CLOSED_BAR = 0.2  # intake pressure with the throttle shut, in gear
OPEN_BAR = 0.97


class Controls:
    """Sets intake pressure, fuel and starter from stretch to stretch of the run."""

    def __init__(self, plan: Plan, engine: EngineModel, *, standing: bool) -> None:
        """Begin at idle, or with the engine at rest."""
        self.plan, self.engine = plan, engine
        self.w_idle = engine.idle_rpm * math.pi / 30
        # how much pressure a given rate of speed change takes: a governor is tuned to its engine
        bar_nm = 8.0 * engine.displacement_l * 1e-3 * 1e5 / (4 * math.pi)
        self._gain = engine.inertia_kgm2 * self.w_idle / bar_nm
        self.started = not standing
        self.intake_bar = OPEN_BAR if standing else 0.35
        self.is_cut = False
        self.is_cranking = False
        self.error = 0.0
        self._rate = 0.0
        self._integral = 0.0
        self._closed_s = 0.0
        self._free_until = -math.inf
        self.lower = 1.0  # how far the driver has gone down the gears, not to stall

    def is_in_gear(self, tick: int, w: float, time_s: float) -> bool:
        """Tell whether the clutch is closed; near a stall the driver opens it and changes down."""
        wanted = self.plan.in_gear[tick] > 0
        if wanted and w < 0.75 * self.w_idle and time_s > self._free_until:
            self._free_until = time_s + 1.5
            self.lower = min(4.0, 1.4 * self.lower)
        return wanted and time_s > self._free_until

    def update(self, tick: int, w: float, *, seconds: float, radians: float, in_gear: bool) -> None:
        """Set everything for the next stretch.

        Parameters
        ----------
        tick : int
            Place in the plan.
        w : float [unit=rad/s]
        seconds, radians : float [unit=s, rad]
            Length of the stretch.
        in_gear : bool
        """
        self._turn_key(tick, w)
        error = (self.plan.target_rpm[tick] * math.pi / 30 - w) / self.w_idle
        change = (error - self.error) * min(1.0, seconds / 0.06)
        self.error += change
        self._rate += (change / max(seconds, 1e-4) - self._rate) * min(1.0, seconds / 0.04)
        goal = self._drive(w, seconds) if in_gear else self._idle(tick, w, seconds)
        if w < 0.4 * self.w_idle:  # hardly any air is drawn
            goal = 0.95
        # the manifold fills within a revolution or two
        self.intake_bar += (goal - self.intake_bar) * (1 - math.exp(-radians / 7.0))

    def _turn_key(self, tick: int, w: float) -> None:
        """Engage the starter while it is asked for, and again should the engine stall."""
        if not self.started:
            wanted = self.plan.starter[tick] > 0
            if wanted and w < 0.55 * self.w_idle:
                self.is_cranking = True
            elif self.is_cranking and (w > 0.6 * self.w_idle or not wanted):
                self.is_cranking = False
                self.started = w > 0.5 * self.w_idle
        elif self.is_cranking:
            self.is_cranking = w < 0.5 * self.w_idle
        elif w < 0.25 * self.w_idle:
            self.is_cranking = True

    def _drive(self, w: float, seconds: float) -> float:
        """Follow the wanted speed with the pedal; a shut throttle at speed cuts the fuel."""
        self._integral = min(0.6, max(-0.25, self._integral + 0.5 * self.error * seconds))
        goal = 0.42 + 0.9 * self.error + self._integral
        closed = goal < CLOSED_BAR
        self._closed_s = self._closed_s + seconds if closed else 0.0
        if self._closed_s > 0.25 and w > 1.5 * self.w_idle:
            self.is_cut = True
        elif not closed or w < 1.25 * self.w_idle:
            self.is_cut = False
        return min(OPEN_BAR, max(CLOSED_BAR, goal))

    def _idle(self, tick: int, w: float, seconds: float) -> float:
        """Govern the idle speed by air; the flow is choked, so pressure falls as speed rises."""
        self.is_cut = False
        if abs(self.error) < 0.3:  # not while racing or nearly stalled
            self._integral += 2.0 * self._gain * self.error * seconds
            self._integral = min(0.5, max(-0.2, self._integral))
        rescue = 7.0 * self._gain * max(0.0, self.error - 0.2)
        flow = 0.33 + self._gain * (2.4 * self.error + 0.4 * self._rate) + rescue + self._integral
        flow = min(1.5, max(0.12, flow))
        flow += 2.5 * self.plan.blip[tick]
        return min(OPEN_BAR, max(0.18, flow * self.w_idle / max(w, 0.3 * self.w_idle)))

    def compute_advance(self, rpm: float) -> float:
        """Compute the spark advance before TDC by load and speed; at idle it steadies the speed."""
        engine = self.engine
        if rpm < 420:
            return 5.0
        share = min(1.0, max(0.0, (rpm / engine.idle_rpm - 1.15) / 1.5))
        advance = engine.advance_idle_deg
        advance += share * (engine.advance_load_deg - engine.advance_idle_deg)
        advance -= 14.0 * share * max(0.0, self.intake_bar - 0.6)
        if share < 0.1:
            advance += min(7.0, max(-7.0, 60.0 * self.error))
        return advance
