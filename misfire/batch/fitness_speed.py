"""Speeds that no engine passes through: recordings that were joined."""

import numpy as np

from misfire.records import Finding, Firings

MOST_RPM_PER_S = 20e3  # no engine without load gains speed faster (common practice: 5 to 15)
LEAST_STEP = 0.3  # of the lower speed
EITHER_SIDE = 4  # firings that must keep to the new speed, and to the old: no tooth too many


def check_continuity(firings: Firings) -> list[Finding]:
    """Find where the speed jumps from one firing to the next.

    Parameters
    ----------
    firings : Firings
        In time order.

    Returns
    -------
    findings : list of Finding
    """
    rpm, time_s = firings.rpm, firings.tdc_s
    n = EITHER_SIDE
    if rpm.size < 2 * n + 1:
        return []
    spans = np.lib.stride_tricks.sliding_window_view(rpm, n)
    before, after = spans[: rpm.size - 2 * n + 1], spans[n:]
    up = after.min(axis=1) - before.max(axis=1)
    down = before.min(axis=1) - after.max(axis=1)
    step = np.fmax(up, down)  # the least that the speeds of both sides lie apart
    apart_s = time_s[n : rpm.size - n + 1] - time_s[n - 1 : rpm.size - n]
    lower = np.fmin(before.min(axis=1), after.min(axis=1))
    with np.errstate(invalid="ignore"):
        jumps = np.flatnonzero(
            (step > LEAST_STEP * lower) & (step > MOST_RPM_PER_S * np.abs(apart_s))
        )
    if not jumps.size:
        return []
    at = int(jumps[0]) + n
    message = (
        f"the speed jumps from {rpm[at - 1]:.0f} to {rpm[at]:.0f} rev/min at {time_s[at]:.3f} s, "
        "which no engine does: recordings of several engines or drives seem to be joined here"
    )
    return [Finding("speed_jump", "error", message)]
