"""The state of every firing's spark and work: two shares of a cylinder, found with its firings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.diagnosis.firings.states import MECHANISMS, ODD_SHARE
from misfire.records import SPARK_STATES, WORK_STATES
from misfire.report.wording import LOST

NAMES = tuple(MECHANISMS)
STATE_OF = np.array([SPARK_STATES.index(m.state) for m in MECHANISMS.values()])
ODD_WORK, ODD_WORK_FAULTY = 0.001, 0.03  # share of usual sparks with partial, and with lost work:
# in a sound cylinder, and more in a faulty one, before its firings are looked at
PRIOR_FIRINGS = 30.0  # firings by which a cylinder's shares are held back
START = 0.3  # share of odd sparks from which the rounds begin
TINY = 1e-300  # no likelihood is less: nothing is divided by nothing
ROUNDS = 25  # of expectation maximisation
USUAL = [SPARK_STATES.index(s) for s in ("usual", "not_switched")]  # the spark is not ailing
NO_ANSWER = 0.002  # probability of being lost where nothing at all points to it


@dataclass(frozen=True, slots=True)
class FiringStates:
    """States of all firings of a recording, filled in cylinder by cylinder.

    `spark`, `work` [int8, shape=(n_firings,)]: places in SPARK_STATES and WORK_STATES of the
    likeliest state, lost only from `LOST` on; `spark_probability`, `work_probability` theirs.
    `lost` [shape=(n_firings,)]: probability that the combustion was lost, NaN where nothing shows
    it.
    """

    spark: NDArray[np.int8]
    spark_probability: NDArray[np.float64]
    work: NDArray[np.int8]
    work_probability: NDArray[np.float64]
    lost: NDArray[np.float64]

    @classmethod
    def of_nothing(cls, n: int) -> FiringStates:
        """Start with firings of which nothing is seen.

        Parameters
        ----------
        n : int

        Returns
        -------
        states : FiringStates
        """
        unseen = (np.full(n, len(names) - 1, np.int8) for names in (SPARK_STATES, WORK_STATES))
        spark, work = unseen
        return cls(spark, np.full(n, np.nan), work, np.full(n, np.nan), np.full(n, np.nan))

    def find(
        self,
        own: NDArray[np.int64],
        sparks: NDArray[np.float32],
        works: NDArray[np.float64],
        feeble: NDArray[np.float64],
        *,
        cut: NDArray[np.bool_],
        faulty: float,
        lines: NDArray[np.bool_],
    ) -> tuple[float, float]:
        """Find the states of one cylinder's firings, and keep them.

        Parameters
        ----------
        own : int64 array
            Rows of the cylinder.
        sparks : float32 array [shape=(n_firings, len(MECHANISMS), len(SEVERITIES))]
        works : float64 array [shape=(n_firings, len(JUDGED_WORK))]
            Log likelihoods, the same for all where nothing shows them.
        feeble : float64 array [shape=(n_firings,)]
            From `find_feeble`.
        cut : bool array [shape=(n_firings,)]
        faulty : float
            Probability that the cylinder has a fault.
        lines : bool array [shape=(n_firings,)]
            Where a spark line would show: a current ramp alone calls no spark usual.

        Returns
        -------
        odd_log : float
            Log likelihood of some odd sparks among the cylinder's over none.
        odd_share : float
            Of the sparks that are seen, those that are odd; a firing that is doubtful counts in
            part.
        """
        spark_seen = np.ptp(sparks[own], axis=(1, 2)) > 0
        work_seen = np.ptp(works[own], axis=1) > 0
        used = ~cut[own]
        likely = np.exp(sparks[own] - sparks[own].max(axis=(1, 2), keepdims=True))
        of_sparks, share, odd_log = _share_sparks(likely.astype(float), used)
        by_spark, joint = _find_states(
            of_sparks, share, works[own], feeble[own], used, faulty=faulty
        )
        by_work = joint.sum(axis=1)
        by_state = np.zeros((own.size, len(SPARK_STATES)))
        for number, state in enumerate(STATE_OF):
            by_state[:, state] += by_spark[:, number]
        shown = by_state[spark_seen & lines[own]][:, USUAL].sum(axis=1)
        odd_share = float(1.0 - shown.mean()) if shown.size else 0.0
        named = spark_seen & (lines[own] | (by_state.argmax(axis=1) != 0))
        self.spark[own] = np.where(named, by_state.argmax(axis=1), len(SPARK_STATES) - 1)
        self.spark_probability[own] = np.where(named, by_state.max(axis=1), np.nan)
        known = (work_seen | (named & (self.spark[own] != 0))) & ~cut[own]
        unknown = np.where(cut[own], WORK_STATES.index("cut"), len(WORK_STATES) - 1)
        # lost as everywhere: where that is likelier than not, else the likelier of the other two
        state = np.where(by_work[:, 2] >= LOST, 2, by_work[:, :2].argmax(axis=1))
        self.work[own] = np.where(known, state, unknown)
        of_state = by_work[np.arange(own.size), state]
        self.work_probability[own] = np.where(known, of_state, np.nan)
        told = work_seen | spark_seen | cut[own]
        self.lost[own] = np.where(told, np.where(cut[own], NO_ANSWER, by_work[:, 2]), np.nan)
        return odd_log, odd_share

    def count(self, own: NDArray[np.int64]) -> NDArray[np.float64]:
        """Count firings by their likeliest states.

        Parameters
        ----------
        own : int64 array
            Rows that are counted.

        Returns
        -------
        counts : float64 array [shape=(len(SPARK_STATES), len(WORK_STATES))]
        """
        counts = np.zeros((len(SPARK_STATES), len(WORK_STATES)))
        np.add.at(counts, (self.spark[own], self.work[own]), 1.0)
        return counts


def find_odd(
    sparks: NDArray[np.float32], used: NDArray[np.bool_], lines: NDArray[np.bool_]
) -> tuple[float, float]:
    """Find how many of a cylinder's sparks are odd, by the coil alone.

    Parameters
    ----------
    sparks : float32 array [shape=(n, len(MECHANISMS), len(SEVERITIES))]
    used, lines : bool array [shape=(n,)]
        Those from which shares are learned, and where a spark line would show.

    Returns
    -------
    odd_log, odd_share : float
        See `FiringStates.find`.
    """
    likely = np.exp(sparks - sparks.max(axis=(1, 2), keepdims=True))
    of_sparks, _, odd_log = _share_sparks(likely.astype(float), used)
    shown = of_sparks[lines] / np.maximum(of_sparks[lines].sum(axis=1, keepdims=True), TINY)
    usual = np.isin(STATE_OF, USUAL)
    return odd_log, float(1.0 - shown[:, usual].sum(axis=1).mean()) if lines.any() else 0.0


def _share_sparks(
    likely: NDArray[np.float64], used: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Weigh each mechanism by its share among a cylinder's sparks; the shares; `odd_log`.

    A cylinder's fault has a size of its own: the shares are learned by mechanism and severity, so
    that many sparks that are odd alike tell more than each of them.
    """
    n_sizes = likely.shape[2]
    prior = np.full(likely.shape[1:], ODD_SHARE / (len(NAMES) - 1) / n_sizes)
    prior[0] = (1.0 - ODD_SHARE) / n_sizes
    flat, n = likely.reshape(len(likely), -1), int(used.sum())
    held = PRIOR_FIRINGS * prior.ravel()
    learned = flat[used]
    # faint oddness of many firings is found from afar: from a rare one the rounds do not get there
    share = (
        np.where(np.arange(prior.size) < n_sizes, 1.0 - START, START / (len(NAMES) - 1)) / n_sizes
    )
    for _ in range(ROUNDS):
        found = share * (learned.T @ (1.0 / np.maximum(learned @ share, TINY)))
        share = (found + held) / (n + PRIOR_FIRINGS)
    by_spark = (flat * share).reshape(likely.shape).sum(axis=2)
    none = np.maximum(likely[used, 0, 0], TINY)
    odd_log = float(np.log(np.maximum(by_spark[used].sum(axis=1), TINY) / none).sum())
    return by_spark, share.reshape(likely.shape[1:]).sum(axis=1), odd_log


def _find_states(
    of_sparks: NDArray[np.float64],
    share: NDArray[np.float64],
    works: NDArray[np.float64],
    feeble: NDArray[np.float64],
    used: NDArray[np.bool_],
    *,
    faulty: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Probability of each mechanism, by the spark alone, and of each mechanism with each work.

    Both shares are learned from the cylinder's firings. A spark is named by what the coil shows: a
    lost combustion does not make a usual spark a strained one, but a done one needs a spark.
    """
    odd_work = ODD_WORK + ODD_WORK_FAULTY * faulty
    sound_work = (1.0 - 2.0 * odd_work, odd_work, odd_work)
    works_prior = np.array([sound_work, *(m.work for m in list(MECHANISMS.values())[1:])])
    likely_work = np.exp(works - works.max(axis=1, keepdims=True))[:, None, :]
    likely_work = np.repeat(likely_work, len(NAMES), axis=1)
    told = np.isfinite(feeble)  # an odd spark does its work or not by what is left of it
    likely_work[told, 1:, 0] *= 2.0 * (1.0 - feeble[told, None])
    likely_work[told, 1:, 2] *= 2.0 * feeble[told, None]
    by_spark = of_sparks / np.maximum(of_sparks.sum(axis=1, keepdims=True), TINY)
    both = of_sparks[:, :, None] * likely_work
    flat = both.reshape(both.shape[0], -1)
    learned, of_work = flat[used], works_prior
    # where physics leaves no doubt (no spark at all), no table of firings is to learn otherwise
    settled = (works_prior.max(axis=1) > 0.9) & (np.arange(len(NAMES)) > 0)
    held = PRIOR_FIRINGS * share[:, None] * works_prior
    for _ in range(ROUNDS):
        total = np.maximum(learned @ of_work.ravel(), TINY)
        found = of_work * (learned.T @ (1.0 / total)).reshape(of_work.shape) + held
        of_work = found / found.sum(axis=1, keepdims=True)
        of_work[settled] = works_prior[settled]
    joint = both * of_work
    joint /= np.maximum(joint.sum(axis=(1, 2), keepdims=True), TINY)
    # A firing that did its work had a spark that can: whatever the coil's channels seem to show.
    done = joint[:, :, 0].sum(axis=1)[:, None]
    by_spark *= 1.0 - done * (1.0 - of_work[:, 0])
    return by_spark / np.maximum(by_spark.sum(axis=1, keepdims=True), TINY), joint
