"""One feature row per cylinder, for the model of the pattern of its firings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from misfire.columns import CYLINDER_COLUMNS
from misfire.dsp.chances import compute_surprise
from misfire.limits import CRANKING_RPM, FUEL_CUT_Z

if TYPE_CHECKING:
    import pandas as pd

LACKING_Z = 2.5  # spreads of torque: one sound firing in a hundred or fewer lacks so much
# A clear loss has .45 to .6 where pulses are many and small, a sound firing hardly ever .2: firings
# count by their probability, so that no step at 50 % parts four clear losses from none.
LEAST_LIKELY = 0.2
# A firing that lacks so many spreads against everything about it is no scatter, and if it lacks one
# combustion no jolt of the driveline; how much one is worth may be off by half.
CLEAR_Z, LEAST_LACK, MOST_LACK = 6.0, 0.3, 1.6
LEAST_SEEN = 10  # firings of a cylinder from which its share of those is told


def find_outstanding(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Find the firings whose torque alone shows that a combustion was lost.

    Parameters
    ----------
    table : DataFrame [columns=FIRING_COLUMNS]

    Returns
    -------
    outstanding : bool array [shape=(n_firings,)]
        `CLEAR_Z` spreads less than the same cylinder's other firings, which leaves out what the
        wheel or the cylinder always has, and less than the firings before and after, which leaves
        out a step of the load; about one combustion less; not where the fuel was cut.
    """
    names = ("torque_own_z", "torque_step_z", "torque_lack", "torque_lack_sigma")
    own, step, lack, sigma = (table[name].to_numpy(float) for name in names)
    with np.errstate(invalid="ignore"):
        found = (np.minimum(own, step) >= CLEAR_Z) & (lack >= CLEAR_Z * sigma)
        found &= (lack >= LEAST_LACK) & (lack <= MOST_LACK)
        return np.asarray(found & ~(table["torque_level_change"].to_numpy(float) < FUEL_CUT_Z))


def build_cylinder_table(
    firing_table: pd.DataFrame,
    probability: NDArray[np.float64],
    cylinder: NDArray[np.int64],
    *,
    n_cylinders: int,
    disturbed: NDArray[np.bool_] | None = None,
) -> pd.DataFrame:
    """Sum up each cylinder's firings, and set it against the others.

    Parameters
    ----------
    firing_table : DataFrame
        From `build_firing_table`.
    probability : float64 array [shape=(n_firings,)]
        Probability that a firing was lost; NaN where it cannot be judged.
    cylinder : int64 array [shape=(n_firings,)]
    n_cylinders : int
    disturbed : bool array [shape=(n_firings,)], optional
        Crank pulses missing or extra inside the power stroke.

    Returns
    -------
    table : DataFrame [index=cylinder 1..n_cylinders, columns=CYLINDER_COLUMNS]
    """
    import pandas as pd

    judged = np.isfinite(probability)
    lost = judged & (probability >= LEAST_LIKELY)
    likely = np.where(lost, probability, 0.0)
    columns = {name: firing_table[name].to_numpy(float) for name in firing_table.columns}
    rpm = columns["speed_rpm"]
    running = ~(rpm < CRANKING_RPM)
    clear, crank = find_outstanding(firing_table), np.isfinite(columns["torque_lack"]).any()
    share = {c: _mean(likely[(cylinder == c) & judged]) for c in range(1, n_cylinders + 1)}
    # What the cylinder usually lacks has its own column, and a step of the load is no lost firing.
    single = np.fmin(columns["torque_own_z"], columns["torque_step_z"])
    surprise = _compare_counts(clear & judged & running, judged & running, cylinder, n_cylinders)
    tails = _compare_lacks(single, cylinder, judged & running, n_cylinders)
    rows = []
    for c in range(1, n_cylinders + 1):
        own = cylinder == c
        mine, mine_lost = own & judged & running, own & lost
        row: dict[str, float] = {}
        row["lost_share"] = share[c]
        row["outstanding_surprise"] = float(surprise[c - 1]) if crank else np.nan
        rest = [share[k] for k in share if k != c and np.isfinite(share[k])]
        row["lost_share_others"] = max(rest) if rest else np.nan
        row["lost_probability_mean"] = _mean(probability[own & judged])
        row["lost_run_length"] = _run_length(lost[own & judged])
        row["disturbed_share"] = (
            np.nan if disturbed is None else float(np.mean(disturbed)) if disturbed.size else 0.0
        )
        z = columns["torque_deficit_z"]
        row["torque_median_z"] = _median(z[mine])
        row["torque_tail_z"] = tails[c]
        row["torque_median_energy"] = _median(columns["torque_deficit_energy"][mine])
        row["torque_median_relative"] = _median(columns["torque_deficit_relative"][mine])
        row["gain_median_z"] = _median(columns["gain_deficit_z"][mine])
        row["cranking_gain_z"] = _cranking(columns, own & ~running, ~running)
        row["torque_lost_z"] = _median(z[mine_lost])
        row["no_breakdown_share"] = _mean(columns["no_breakdown"][own])
        row["no_breakdown_lost_share"] = _mean(columns["no_breakdown"][mine_lost])
        row["no_dwell_share"] = _mean(columns["no_dwell"][own])
        row["no_dwell_lost_share"] = _mean(columns["no_dwell"][mine_lost])
        row["speed_rpm"] = _median(rpm[own])
        row["firings_log"] = float(np.log1p((own & judged).sum()))
        row["cylinders"] = float(n_cylinders)
        rows.append(row)
    table = pd.DataFrame(rows, index=pd.RangeIndex(1, n_cylinders + 1, name="cylinder"))
    table["torque_rank"] = table["torque_median_z"].rank(ascending=False) - 1.0
    return table[list(CYLINDER_COLUMNS)].astype(float)


def _compare_counts(
    marked: NDArray[np.bool_],
    judged: NDArray[np.bool_],
    cylinder: NDArray[np.int64],
    n_cylinders: int,
) -> NDArray[np.float64]:
    """Tell how surprising each cylinder's marked firings are at the rate of the others [nats].

    Three in a thousand that no other cylinder has are a fault; where all have some they are not.
    """
    count = np.bincount(cylinder[marked], minlength=n_cylinders + 1)[1:].astype(float)
    seen = np.bincount(cylinder[judged], minlength=n_cylinders + 1)[1:].astype(float)
    # half a firing more: that the others have none does not make it impossible
    rate = (count.sum() - count + 0.5) / (seen.sum() - seen + 1.0)
    return compute_surprise(count, rate * np.maximum(seen, 1.0))


def _compare_lacks(
    z: NDArray[np.float64],
    cylinder: NDArray[np.int64],
    judged: NDArray[np.bool_],
    n_cylinders: int,
) -> dict[int, float]:
    """Tell how many more firings lack torque in each cylinder than in the others, in spreads.

    Each may lack too little to be called lost: together they are no chance. The spread is that of
    a Poisson count at the rate of the other cylinders' median.
    """
    lacking, seen = np.zeros(n_cylinders), np.zeros(n_cylinders)
    for c in range(1, n_cylinders + 1):
        own = z[(cylinder == c) & judged & np.isfinite(z)]
        lacking[c - 1], seen[c - 1] = np.count_nonzero(own > LACKING_Z), own.size
    rate = (lacking + 0.5) / (seen + 1.0)
    tails = {}
    for c in range(1, n_cylinders + 1):
        others = np.delete(rate, c - 1)[np.delete(seen, c - 1) >= LEAST_SEEN]
        if others.size == 0 or seen[c - 1] < LEAST_SEEN:
            tails[c] = float("nan")
            continue
        expected = float(np.median(others)) * seen[c - 1]
        tails[c] = float((lacking[c - 1] - expected) / np.sqrt(expected + 1.0))
    return tails


def _cranking(
    columns: dict[str, NDArray[np.float64]], own: NDArray[np.bool_], all_: NDArray[np.bool_]
) -> float:
    """How far this cylinder's speed swing lags behind the others while the starter turns."""
    gain = columns["gain_deficit_relative"]
    mine, rest = gain[own & np.isfinite(gain)], gain[all_ & ~own & np.isfinite(gain)]
    if mine.size < 2 or rest.size < 3:
        return float("nan")
    spread = max(float(np.subtract(*np.quantile(rest, (0.75, 0.25)))) / 1.35, 1e-3)
    return float(np.median(mine) - np.median(rest)) / spread


def _run_length(lost: NDArray[np.bool_]) -> float:
    """Mean length of runs of consecutive lost firings; 0 without any."""
    n = int(lost.sum())
    if n == 0:
        return 0.0
    runs = int(np.sum(lost & ~np.concatenate(([False], lost[:-1]))))
    return n / runs


def _finite(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Drop NaN and infinities."""
    return values[np.isfinite(values)]


def _mean(values: NDArray[np.float64]) -> float:
    """Mean of the finite values."""
    values = _finite(values)
    return float(values.mean()) if values.size else float("nan")


def _median(values: NDArray[np.float64]) -> float:
    """Median of the finite values."""
    values = _finite(values)
    return float(np.median(values)) if values.size else float("nan")
