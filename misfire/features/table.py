"""One feature row per firing, for the event model: names fixed, NaN where a witness is missing."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from misfire.columns import FIRING_COLUMNS, SUPPLY_COLUMNS
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
    injection: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None,
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
    injection : pair of float64 arrays [shape=(n_firings,)], optional
        SUPPLY_COLUMNS; NaN where not watched.

    Returns
    -------
    table : DataFrame [shape=(n_firings, len(FIRING_COLUMNS))]
        Same order as `firings`. Energies are in 1/s^2, relative ones in parts of omega^2/2,
        logs of ratios without unit.
    """
    import pandas as pd

    n = firings.cylinder.size
    columns: dict[str, NDArray[np.float64]] = {}
    omega2 = (firings.rpm * np.pi / 30.0) ** 2 / 2.0
    if injection is not None:
        columns |= dict(zip(SUPPLY_COLUMNS, injection, strict=True))
    if torque is not None:
        z = torque.deficit_z
        columns["torque_deficit_z"] = z
        columns["torque_own_z"] = torque.deficit_own_z
        columns["torque_step_z"] = torque.step_z
        columns["gain_deficit_z"] = torque.gain_z
        columns["gain_own_z"] = torque.gain_own_z
        columns["approach_z"] = torque.approach_z
        # The kinetic energy of a crank drive per swept work is alike over engines: a scale.
        columns["torque_deficit_energy"] = torque.deficit
        columns["gain_deficit_energy"] = torque.gain_deficit
        columns["torque_deficit_relative"] = torque.deficit / omega2
        columns["gain_deficit_relative"] = torque.gain_deficit / omega2
        columns["torque_level_relative"] = torque.level / omega2
        columns["torque_level_change"] = compute_level_change(torque, firings, engine=engine)
        columns["torque_noise_relative"] = torque.noise / omega2
        # what the crank says where it cannot be trusted is no witness
        columns["torque_lack"] = np.where(torque.crank_doubtful, np.nan, torque.lack)
        columns["torque_lack_sigma"] = torque.lack_sigma
        columns["torque_unit_sigma"] = torque.unit_sigma
        columns["torque_unit_relative"] = torque.unit / omega2
        columns["torque_mate_z"] = _mate_z(firings, z, engine)
    del omega2  # in a long recording large
    columns["speed_rpm"] = firings.rpm
    before = np.concatenate(
        (np.full(engine.cylinders, np.nan), firings.rpm[: -engine.cylinders or None])
    )[:n]
    columns["speed_change_relative"] = (firings.rpm - before) / firings.rpm
    del before
    columns["cylinders"] = np.broadcast_to(np.float64(engine.cylinders), n)
    # last: until then its strokes are not used up
    columns |= {name: feature for name, feature in spark if name in FIRING_COLUMNS}
    missing = np.broadcast_to(np.float64(np.nan), n)
    # not joined to one block: no copy, and each column goes by itself when nothing needs it
    return pd.DataFrame({c: columns.get(c, missing) for c in FIRING_COLUMNS}, copy=False)


def _mate_z(firings: Firings, z: NDArray[np.float64], engine: Engine) -> NDArray[np.float64]:
    """Deficit one revolution before: it repeats for a wheel error, not for a lost firing."""
    half = engine.cylinders // 2
    if not half or engine.cylinders % 2:
        return np.full(z.size, np.nan)
    return np.concatenate((np.full(half, np.nan), z[:-half]))[: z.size]
