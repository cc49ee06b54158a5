"""Blocks that an instrument wrote twice: what the second one shows has not been measured."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from misfire.records import Finding

AT_ONCE = 1 << 15  # teeth looked at together: a copy follows within half of them
WINDOW = 8  # pitches in a row that must be alike
GRAIN_S = 1e-9  # far below the scatter of a tooth's instant, far above the rounding of one
LEAST_NATS = 4.0  # of surprise a pitch: whole samples or coarse steps repeat by chance
SURE_NATS = 20.0  # beyond what as many pairs of windows as there are would meet by chance

Floats = NDArray[np.float64]


def find_repeats(tooth_s: Floats) -> Floats:
    """Find spans whose teeth are a copy of earlier ones.

    Parameters
    ----------
    tooth_s : float64 array [shape=(n,), unit=s]
        Instants between the samples, rising.

    Returns
    -------
    spans : float64 array [shape=(n_spans, 2), unit=s]
        From the first to the last tooth of each copy, rising; none where the instants are too
        coarse to tell a copy.

    Notes
    -----
    The instant of a tooth is interpolated from samples that carry noise, so no two pitches are
    alike to a billionth of a second, and a row of pitches that repeats to it was written twice.
    How surprising that is, is counted from the recording itself: -ln of the chance that two of its
    pitches are alike.

    Examples
    --------
    >>> once = np.cumsum(np.random.default_rng(0).normal(1e-3, 1e-6, 300))
    >>> again = np.concatenate((once, once[-1] + 1e-3 + once[-40:] - once[-40]))
    >>> bool(abs(find_repeats(again)[0, 0] - once[-1]) < 3e-3), find_repeats(once).size
    (True, 0)
    """
    found = np.unique(
        np.concatenate(
            [np.empty(0, np.int64)]
            + [
                at + _find_copies(np.diff(tooth_s[at : at + AT_ONCE]))
                for at in range(0, max(1, tooth_s.size - AT_ONCE // 2), AT_ONCE // 2)
            ]
        )
    )
    if not found.size:
        return np.empty((0, 2))
    breaks = np.flatnonzero(np.diff(found) > WINDOW)
    starts = found[np.concatenate(([0], breaks + 1))]
    stops = found[np.concatenate((breaks, [found.size - 1]))] + WINDOW
    return np.asarray(np.stack((tooth_s[starts], tooth_s[stops]), axis=1))


def _find_copies(pitch_s: Floats) -> NDArray[np.int64]:
    """Find where windows of pitches begin that are alike to an earlier one."""
    n = pitch_s.size - WINDOW + 1
    nothing = np.empty(0, np.int64)
    if n < 2:
        return nothing
    pitch = np.round(pitch_s / GRAIN_S).astype(np.int64)
    edges = np.flatnonzero(np.diff(np.sort(pitch), prepend=-1, append=-1))
    nats = -2.0 * float(np.log(np.linalg.norm(np.diff(edges) / pitch.size)))
    if nats < LEAST_NATS or WINDOW * nats < SURE_NATS + 2.0 * np.log(n):
        return nothing
    mixed = np.zeros(n, np.int64)
    for k in range(WINDOW):  # wraps around on purpose: only equal windows matter
        mixed = mixed * 1_000_003 + pitch[k : k + n]
    order = np.argsort(mixed, kind="stable")
    same = mixed[order[1:]] == mixed[order[:-1]]
    copy, source = order[1:][same], order[:-1][same]
    sure = np.ones(copy.size, bool)
    for k in range(WINDOW):
        sure &= pitch[copy + k] == pitch[source + k]
    return np.asarray(copy[sure], np.int64)


def describe_repeats(spans: Floats, channel: str) -> list[Finding]:
    """Say where a channel's blocks were written twice; nothing where none were."""
    if not spans.size:
        return []
    n = len(spans)
    message = (
        f"{n} stretch{'es' * (n > 1)}, {float(np.diff(spans).sum()):.2f} s in all, first at "
        f"{spans[0, 0]:.3f} s, repeat{'s' * (n == 1)} earlier samples: the instrument wrote a "
        "block twice in place of a new one; nothing there counts"
    )
    return [Finding("dropout", "warning", message, channel)]
