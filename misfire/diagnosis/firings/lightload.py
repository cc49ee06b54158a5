"""Where all cylinders give little: whether the fuel is cut there, or the engine idles along.

With the throttle closed at speed an engine gives hardly more than nothing and slows down, fed or
not. What tells the two apart is a cylinder that loses combustions where the engine works: on a
closed throttle it lacks the little that its neighbours give, and where the fuel is cut it lacks
nothing. Without such a cylinder nothing hangs on it, and the fuel counts as cut.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from misfire.diagnosis.firings.states import FREEDOM
from misfire.dsp.chances import log_student

# Of a usual combustion, what one on a closed throttle may be worth. Its pulse is mostly that of
# compression, and so is the estimate of its work.
LIGHT_WORKS = (0.15, 0.22, 0.32, 0.46, 0.68, 1.0)
LIGHT_SPREAD = 0.35  # of that work: how much lost ones differ from it, as at any load
LEAST_LOSING = 0.01  # share of a cylinder's firings lost at work, from which it is asked at all
MOST_LOSING = 0.98
TURN_FIRINGS = 20.0  # mean length of what is cut or not: a cut is over in half a second and more


def find_light_work(
    lack: NDArray[np.float64],
    sigma: NDArray[np.float64],
    sound: NDArray[np.float64],
    losing: NDArray[np.float64],
    begins: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Find what a combustion is worth at each firing of low level; 0 where the fuel is cut.

    Parameters
    ----------
    lack, sigma : float64 arrays [shape=(n_light,)]
        Of the firings where the engine gives little, in units of a usual combustion.
    sound : float64 array [shape=(n_light,)]
        Log likelihood of the lack of a sound stroke.
    losing : float64 array [shape=(n_light,)]
        Share of firings that its cylinder loses where the engine works.
    begins : bool array [shape=(n_light,)]
        Firings with which another stretch of low level begins.

    Returns
    -------
    worth : float64 array [shape=(n_light,)]

    Notes
    -----
    A hidden Markov chain of two states, fuel cut or not; the worth is the one under which the
    whole is likeliest. Source: Rabiner, "A tutorial on hidden Markov models", Proc. IEEE 77 (1989),
    forward-backward (from memory).
    """
    share = np.clip(losing, 0.0, MOST_LOSING)
    asked = losing >= LEAST_LOSING
    if not asked.any():
        return np.zeros(lack.size)
    told = np.zeros((len(LIGHT_WORKS), lack.size))
    for number, worth in enumerate(LIGHT_WORKS):
        spread = np.hypot(sigma, LIGHT_SPREAD * worth)
        lost = log_student(lack - worth, spread, freedom=FREEDOM) - sound
        lost[lack < 0.0] = np.minimum(lost[lack < 0.0], 0.0)  # that gives more than usual
        told[number, asked] = np.logaddexp(
            np.log1p(-share[asked]), np.log(share[asked]) + lost[asked]
        )
    burning, total = _follow(told, begins)
    best = int(total.argmax())
    return np.where(burning[best] > 0.5, LIGHT_WORKS[best], 0.0)


def _follow(
    told: NDArray[np.float64], begins: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Probability that the fuel is not cut [shape=(n_works, n_light)], and log likelihood.

    `told`: what each firing says for that, log likelihood ratio.
    """
    n_works, n = told.shape
    change = 1.0 / TURN_FIRINGS
    likely = np.exp(np.clip(told, -30.0, 30.0))
    ahead = np.empty((n, n_works))
    total = np.zeros(n_works)
    p = np.full(n_works, 0.5)
    for i in range(n):
        p = np.full(n_works, 0.5) if begins[i] else p + change * (1.0 - 2.0 * p)
        ahead[i] = p
        norm = p * likely[:, i] + 1.0 - p
        total += np.log(norm)
        p = p * likely[:, i] / norm
    burning = np.empty((n_works, n))
    behind = np.zeros(n_works)  # log likelihood ratio of all that follows
    for i in range(n - 1, -1, -1):
        odds = np.log(ahead[i]) - np.log1p(-ahead[i]) + np.clip(told[:, i], -30.0, 30.0)
        burning[:, i] = 1.0 / (1.0 + np.exp(-(odds + behind)))
        if begins[i]:
            behind = np.zeros(n_works)
        else:
            here = np.exp(behind + np.clip(told[:, i], -30.0, 30.0))
            behind = np.log((1 - change) * here + change) - np.log(change * here + 1 - change)
    return burning, total
