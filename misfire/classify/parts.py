"""Tables of long recordings looked at part by part: what a judge lays out meanwhile stays small."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

PART_ROWS = 1 << 15  # a quarter of a megabyte a column


def judge_in_parts(
    judge: Callable[[pd.DataFrame], NDArray[np.float64]], table: pd.DataFrame
) -> NDArray[np.float64]:
    """Judge each row of a table by itself.

    Parameters
    ----------
    judge : callable (table) -> float64 array [one for each row]
        Looks at no other row.
    table : DataFrame [shape=(n, ...)]

    Returns
    -------
    judged : float64 array [shape=(n,)]
    """
    if len(table) <= PART_ROWS:
        return judge(table)
    judged = np.empty(len(table))
    for at in range(0, len(table), PART_ROWS):
        judged[at : at + PART_ROWS] = judge(table.iloc[at : at + PART_ROWS])
    return judged
