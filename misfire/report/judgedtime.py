"""How much of a recording was judged: in seconds and as a share; and whether the engine ran."""

from __future__ import annotations

from typing import TYPE_CHECKING

from misfire.limits import CRANKING_RPM
from misfire.records import Diagnosis
from misfire.report.wording import format_duration, format_percent

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

LEAST_SHARE = 0.02  # of the recording: less is its two ends


def compute_unjudged(diagnosis: Diagnosis) -> float:
    """Compute the time of a recording in which no firing was judged.

    Parameters
    ----------
    diagnosis : Diagnosis

    Returns
    -------
    unjudged_s : float
        Length of the recording, less a firing interval for every judged firing, 120 s/min over the
        engine's speed and number of cylinders.
    """
    import numpy as np

    events = diagnosis.events
    judged = events["misfire_probability"].notna() & (events["rpm"] > 0)
    per_minute = events.loc[judged, "rpm"].to_numpy(dtype=float) * diagnosis.job.engine.cylinders
    return max(0.0, float(diagnosis.duration_s) - float(np.sum(120.0 / per_minute)))


def describe_unjudged(diagnosis: Diagnosis) -> str:
    """Say how much of a recording was not judged; empty where it is hardly any.

    Parameters
    ----------
    diagnosis : Diagnosis

    Returns
    -------
    text : str
    """
    unjudged_s = compute_unjudged(diagnosis)
    share = unjudged_s / max(float(diagnosis.duration_s), 1e-9)
    if share < LEAST_SHARE:
        return ""
    length = format_duration(diagnosis.duration_s)
    return f"{format_duration(unjudged_s)} of {length} ({format_percent(share)})"


def is_only_cranked(rpm: NDArray[np.float64]) -> bool:
    """Tell whether the starter alone turned the engine: then nothing is said of combustion.

    Parameters
    ----------
    rpm : float64 array [shape=(n,), unit=rev/min]
        Speeds of a recording; NaN where not known.

    Returns
    -------
    cranked : bool
        False where no speed is known.
    """
    import numpy as np

    speed = np.asarray(rpm, dtype=float)
    speed = speed[np.isfinite(speed)]
    return bool(speed.size and float(np.quantile(speed, 0.95)) < CRANKING_RPM)
