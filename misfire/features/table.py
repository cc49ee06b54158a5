"""One feature row per firing, for the event model: names fixed, NaN where a witness is missing."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from misfire.columns import FIRING_COLUMNS
from misfire.features.torque import TorqueTable, compute_level_change
from misfire.records import Engine, Firings

if TYPE_CHECKING:
    import pandas as pd


def build_firing_table(
    firings: Firings,
    torque: TorqueTable | None,
    spark: Iterable[tuple[str, NDArray[np.float64]]],
    *,
    engine: Engine,
) -> pd.DataFrame:
    """Lay out all witnesses of each firing in one row.

    Parameters
    ----------
    firings : Firings
    torque : TorqueTable or None
        None without a crank channel.
    spark : iterable of (name, float64 array [shape=(n_firings,)])
        From `iterate_spark`.
    engine : Engine

    Returns
    -------
    table : DataFrame [shape=(n_firings, len(FIRING_COLUMNS))]
        Same order as `firings`. Energies are in 1/s^2, relative ones in parts of omega^2/2,
        logs of ratios without unit.
    """
    import pandas as pd

    n = firings.cylinder.size
    values = np.full((len(FIRING_COLUMNS), n), np.nan)  # one block: a frame would copy columns
    rows = dict(zip(FIRING_COLUMNS, values, strict=True))
    omega2 = (firings.rpm * np.pi / 30.0) ** 2 / 2.0
    if torque is not None:
        z = torque.deficit_z
        rows["torque_deficit_z"][:] = z
        rows["torque_own_z"][:] = torque.deficit_own_z
        rows["torque_step_z"][:] = torque.step_z
        rows["gain_deficit_z"][:] = torque.gain_z
        rows["gain_own_z"][:] = torque.gain_own_z
        rows["approach_z"][:] = torque.approach_z
        # The kinetic energy of a crank drive per swept work is alike over engines: a scale.
        rows["torque_deficit_energy"][:] = torque.deficit
        rows["gain_deficit_energy"][:] = torque.gain_deficit
        rows["torque_deficit_relative"][:] = torque.deficit / omega2
        rows["gain_deficit_relative"][:] = torque.gain_deficit / omega2
        rows["torque_level_relative"][:] = torque.level / omega2
        rows["torque_level_change"][:] = compute_level_change(torque, engine=engine)
        rows["torque_noise_relative"][:] = torque.noise / omega2
        rows["torque_mate_z"][:] = _mate_z(firings, z, engine)
    for name, feature in spark:
        if name in rows:
            rows[name][:] = feature
    rows["speed_rpm"][:] = firings.rpm
    before = np.concatenate(
        (np.full(engine.cylinders, np.nan), firings.rpm[: -engine.cylinders or None])
    )[:n]
    rows["speed_change_relative"][:] = (firings.rpm - before) / firings.rpm
    rows["cylinders"][:] = float(engine.cylinders)
    return pd.DataFrame(values.T, columns=list(FIRING_COLUMNS), copy=False)


def _mate_z(firings: Firings, z: NDArray[np.float64], engine: Engine) -> NDArray[np.float64]:
    """Deficit one revolution before: it repeats for a wheel error, not for a lost firing."""
    half = engine.cylinders // 2
    if not half or engine.cylinders % 2:
        return np.full(z.size, np.nan)
    return np.concatenate((np.full(half, np.nan), z[:-half]))[: z.size]
