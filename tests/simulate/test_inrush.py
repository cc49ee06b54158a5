"""Current beside the ramp at switch-on, against a numerical solution of the same circuit."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from misfire.simulate.engine.inrush import Inrush, compute_inrush, compute_steady

TIME_S = np.linspace(0.0, 1e-3, 400)


def integrate(c: Inrush, volts: float) -> np.ndarray:
    """Solve L i' = V - R i - v, C v' = i - v / load, and the loop's own R and L, step by step."""

    def slope(_, y):
        i, v, loop = y
        return (
            (volts - c.series_ohm * i - v) / c.leak_h,
            (i - v / c.load_ohm) / c.farad,
            0.0 if math.isinf(c.loop_ohm) else (volts - c.loop_ohm * loop) / c.loop_h,
        )

    found = solve_ivp(slope, (0, 1e-3), (0, 0, 0), t_eval=TIME_S, rtol=1e-8, atol=1e-10)
    return found.y[0] + found.y[2]


@pytest.mark.parametrize(
    ("load_ohm", "loop_ohm"),
    [(math.inf, math.inf), (17.0, math.inf), (3.0, math.inf), (math.inf, 8.0), (40.0, 20.0)],
)
def test_against_numerical_integration(load_ohm, loop_ohm):
    # reference: scipy's solve_ivp on the circuit's differential equations
    c = Inrush(1e-4, 1.5, 5e-7, load_ohm=load_ohm, loop_ohm=loop_ohm, loop_h=5e-5)
    expected = integrate(c, 13.0)
    assert compute_inrush(TIME_S, c, volts=13.0) == pytest.approx(expected, abs=2e-4)


def test_critical_damping():
    # R = 2 sqrt(L / C): i = V/L t exp(-t / sqrt(LC)), textbook
    henry, farad = 1e-4, 4e-8
    c = Inrush(henry, 2 * math.sqrt(henry / farad), farad)
    expected = 13.0 / henry * TIME_S * np.exp(-TIME_S / math.sqrt(henry * farad))
    assert compute_inrush(TIME_S, c, volts=13.0) == pytest.approx(expected, abs=1e-3)


def test_a_shunt_lifts_the_ramp_and_damps_the_ringing():
    # 100 kohm at 80 turns a turn is 15.6 ohm: Ohm's law, 13 V / (15.6 + 1.5)
    sound = Inrush(1e-4, 1.5, 5e-7)
    shunted = Inrush(1e-4, 1.5, 5e-7, load_ohm=15.6)
    late = np.array([0.02])
    assert compute_inrush(late, shunted, volts=13.0)[0] == pytest.approx(13 / 17.1, rel=1e-6)
    assert compute_steady(shunted, volts=13.0) == pytest.approx(13 / 17.1)
    assert compute_steady(sound, volts=13.0) == 0.0
    after = (TIME_S > 1e-4) & (TIME_S < 3e-4)
    swing = [np.ptp(compute_inrush(TIME_S, c, volts=13.0)[after]) for c in (sound, shunted)]
    assert swing[1] < 0.3 * swing[0]
