"""When lost combustions came, in words: bouts, speed beside the speed recorded, load, warmth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from misfire.dsp.chances import compute_wilson
from misfire.records import CylinderResult, Diagnosis
from misfire.report.context import (
    FEWEST_BOUTS,
    PAUSE_S,
    Kinds,
    find_silence,
    find_speed_bands,
    holds_start,
    part_by_load,
    part_by_slope,
)
from misfire.report.occurrence import Bout, SpeedBand, find_bouts
from misfire.report.summary import LOST
from misfire.report.wording import format_clock, format_count, format_duration, format_percent

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

NARROW = 1.25  # highest over lowest speed below which a recording says nothing of other speeds
CONFINED = 0.75  # share of the firings at the speeds of the lost ones, below which it is remarked
ALWAYS = 0.9  # share of firings lost, from which bouts mean nothing
BY_CHANCE = 0.05
DRIFTING = 0.6  # rank correlation of speed with time, from which the two cannot be told apart


@dataclass(frozen=True, slots=True)
class LostFirings:
    """Judged firings of some cylinders in time order, with the lost ones among them."""

    time_s: NDArray[np.float64]
    rpm: NDArray[np.float64]
    lost: NDArray[np.bool_]

    @property
    def bouts(self) -> tuple[Bout, ...]:
        """The lost ones, put into bouts."""
        return find_bouts(self.time_s[self.lost], pause_s=PAUSE_S)


def gather_lost(diagnosis: Diagnosis, cylinders: Sequence[int]) -> LostFirings:
    """Gather the judged firings of some cylinders."""
    import numpy as np

    events = diagnosis.events
    mine = events[events["cylinder"].isin(cylinders) & events["misfire_probability"].notna()]
    order = np.argsort(mine["time_s"].to_numpy(dtype=float), kind="stable")
    return LostFirings(
        mine["time_s"].to_numpy(dtype=float)[order],
        mine["rpm"].to_numpy(dtype=float)[order],
        (mine["misfire_probability"] >= LOST).to_numpy(dtype=bool)[order],
    )


def find_range(rpm: NDArray[np.float64]) -> tuple[int, int] | None:
    """Give the lowest and the highest known speed in whole rev/min."""
    import numpy as np

    known = rpm[np.isfinite(rpm)]
    return (round(float(known.min())), round(float(known.max()))) if known.size else None


def format_range(low: int, high: int) -> str:
    """Give a range of speeds; one speed where both ends are the same.

    Examples
    --------
    >>> format_range(1834, 2024), format_range(812, 812)
    ('1834 to 2024', '812')
    """
    return str(low) if low == high else f"{low} to {high}"


def write_when(
    diagnosis: Diagnosis, suspects: Sequence[CylinderResult]
) -> tuple[str, tuple[str, ...]]:
    """Say when the suspects lost combustions, and what of it is not proven.

    Parameters
    ----------
    diagnosis : Diagnosis
    suspects : sequence of CylinderResult
        At least one; load and speed bands are the first one's.

    Returns
    -------
    answer : str
        Bouts and speed, in short.
    lines : tuple of str
        What was recorded, what speed, load and warmth have to do with it.
    """
    found = gather_lost(diagnosis, [c.cylinder for c in suspects])
    at_s = found.time_s[found.lost]
    answer = describe_bouts(at_s)
    if not at_s.size:
        return answer, ()
    if at_s.size > ALWAYS * found.lost.size:
        answer = "Always" if found.lost.all() else "Nearly always"
    lost_range, whole = find_range(found.rpm[found.lost]), find_range(found.rpm)
    if lost_range is not None:
        answer += f", at {format_range(*lost_range)} rev/min"
    first = suspects[0].cylinder
    if at_s.size > ALWAYS * found.lost.size:
        return answer, (_recorded(whole), f"Cold or warm: {_start_words(diagnosis)}.")
    lines = [
        " ".join(filter(None, (_recorded(whole), _largest(found.bouts, int(at_s.size))))),
        _speed_words(found, find_speed_bands(diagnosis, first)),
        " ".join((_load_words(diagnosis, first), _warmth_words(diagnosis, found.bouts))),
    ]
    return answer, tuple(filter(None, lines))


def describe_bouts(time_s: NDArray[np.float64]) -> str:
    """Say how lost combustions lie in time: once, in bouts or scattered."""
    n = len(time_s)
    if n == 0:
        return "No single firing stands out"
    first, last = format_clock(float(time_s[0])), format_clock(float(time_s[-1]))
    if n == 1:
        return f"Once, at {first}"
    when = f"at {first}" if first == last else f"from {first} to {last}"
    bouts = find_bouts(time_s, pause_s=PAUSE_S)
    if len(bouts) == 1:
        return f"In one bout {when}"
    if max(b.count for b in bouts) >= 3 and 2 * len(bouts) <= n:
        return f"In {len(bouts)} bouts {when}"
    return f"Scattered, {when}"


def find_largest(bouts: Sequence[Bout], n: int) -> Bout | None:
    """Give the bout worth telling: the largest of several."""
    if len(bouts) < 2 or n < 2 * len(bouts):
        return None
    largest = max(bouts, key=lambda bout: bout.count)
    return largest if largest.count >= 3 else None


def find_span(bout: Bout) -> str:
    """Give how long a bout was."""
    return format_duration(max(bout.stop_s - bout.start_s, 0.1))


def _recorded(whole: tuple[int, int] | None) -> str:
    """Say what speeds were recorded."""
    if whole is None:
        return "The engine speed is not known."
    if is_narrow(whole):
        return (
            f"The recording covers only {format_range(*whole)} rev/min: nothing is known of other "
            "speeds."
        )
    return f"The recording covers {format_range(*whole)} rev/min."


def is_narrow(whole: tuple[int, int]) -> bool:
    """Tell whether the speeds recorded are as good as one."""
    return whole[1] < NARROW * whole[0]


def _largest(bouts: Sequence[Bout], n: int) -> str:
    """Say where the largest bout was."""
    bout = find_largest(bouts, n)
    if bout is None:
        return ""
    at = format_clock(bout.start_s)
    return f"Largest bout: {bout.count} lost within {find_span(bout)}, at {at}."


def pick_band(bands: Sequence[SpeedBand]) -> SpeedBand | None:
    """Pick the speed band in which misfires are clearly more frequent, if there is one.

    Its share's 95 per cent interval lies above that of all other speeds together, and it holds
    enough bouts.
    """
    if len(bands) < 2 or not any(b.lost for b in bands):
        return None
    worst = max(bands, key=lambda b: compute_wilson(b.lost, b.judged)[0])
    low, _ = compute_wilson(worst.lost, worst.judged)
    _, rest_high = compute_wilson(
        sum(b.lost for b in bands) - worst.lost, sum(b.judged for b in bands) - worst.judged
    )
    clear = low > rest_high and (worst.bouts is None or worst.bouts >= FEWEST_BOUTS)
    return worst if clear else None


def describe_speed(bands: Sequence[SpeedBand]) -> str:
    """Say in which speed band misfires are clearly more frequent; empty for none."""
    worst = pick_band(bands)
    if worst is None:
        return ""
    rest_lost = sum(b.lost for b in bands) - worst.lost
    rest_judged = sum(b.judged for b in bands) - worst.judged
    return (
        f"Most at {worst.low_rpm} to {worst.high_rpm} rev/min: {worst.lost} of "
        f"{format_count(worst.judged)} firings ({format_percent(worst.lost / worst.judged)}) "
        f"against {format_percent(rest_lost / rest_judged)} at other speeds."
    )


def _speed_words(found: LostFirings, bands: Sequence[SpeedBand]) -> str:
    """Say what speed has to do with it, and how far that is proven.

    Bouts that know nothing of the speed all keep to the upper (or lower) part of the firings that
    holds the share s of them with a chance of s^n; twice that, for either part may be meant.
    """
    import numpy as np

    known = np.isfinite(found.rpm)
    rpm, lost = found.rpm[known], found.lost[known]
    whole = find_range(rpm)
    if whole is None or is_narrow(whole) or not lost.any():
        return ""
    clear = describe_speed(bands)
    low, high = rpm[lost].min(), rpm[lost].max()
    above, below = float((rpm >= low).mean()), float((rpm <= high).mean())
    n = len(found.bouts)
    side = f"below {round(float(low))}" if above <= below else f"above {round(float(high))}"
    chance = 2 * min(above, below) ** n
    if clear:
        words = clear
    elif min(above, below) > CONFINED and chance >= BY_CHANCE:
        return "No speed stands out."
    elif chance < BY_CHANCE and n >= FEWEST_BOUTS:
        words = f"None came {side} rev/min, and that is not by chance."
    elif n == 1:
        words = f"None came {side} rev/min, which shows nothing: there was only one bout."
    else:
        words = f"None came {side} rev/min, which may be chance: there were only {n} bouts."
    drift = _correlate(found.time_s[known], rpm)
    if abs(drift) >= DRIFTING:
        words += (
            f" The speed {'rose' if drift > 0 else 'fell'} during the recording, so an effect of "
            "time (heat) cannot be told from one of speed."
        )
    return words


def _correlate(time_s: NDArray[np.float64], rpm: NDArray[np.float64]) -> float:
    """Give Spearman's rank correlation of speed with time; 0 where nothing changes."""
    import numpy as np

    if time_s.size < 10 or float(np.ptp(rpm)) == 0:
        return 0.0
    ranks = [np.argsort(np.argsort(v, kind="stable"), kind="stable") for v in (time_s, rpm)]
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])


def _load_words(diagnosis: Diagnosis, cylinder: int) -> str:
    """Say what load and changes of speed have to do with it."""
    found = gather_lost(diagnosis, [cylinder])
    thirds = part_by_load(diagnosis, found.time_s)
    if not thirds:
        words = "Load: these channels do not show it."
    else:
        name = _pick_kind(thirds, found)
        words = f"Load: most in the {name}." if name else "Load: no clear difference."
    name = _pick_kind(part_by_slope(diagnosis, found.time_s), found)
    return f"{words} Most while {name}." if name and name != "steady" else words


def _pick_kind(kinds: Kinds, found: LostFirings) -> str:
    """Name the kind of firings of which clearly more were lost; empty for none."""
    bands = [
        SpeedBand(
            k,
            k + 1,
            int(inside.sum()),
            int((inside & found.lost).sum()),
            len(find_bouts(found.time_s[inside & found.lost], pause_s=PAUSE_S)),
        )
        for k, (_, inside) in enumerate(kinds)
        if inside.any()
    ]
    worst = pick_band(bands)
    return "" if worst is None else kinds[worst.low_rpm][0]


def _start_words(diagnosis: Diagnosis) -> str:
    """Say what is known of the engine's temperature."""
    begins = "is" if holds_start(diagnosis) else "is not"
    return f"no temperature was recorded; the engine's start {begins} in the recording"


def _warmth_words(diagnosis: Diagnosis, bouts: tuple[Bout, ...]) -> str:
    """Say what is known of cold and warm: the time in the recording alone."""
    words = f"Cold or warm: {_start_words(diagnosis)}."
    early, late = find_silence(diagnosis, bouts)
    if early:
        words += f" None came before {format_clock(bouts[0].start_s)}, and that is not by chance."
    if late:
        words += f" None came after {format_clock(bouts[-1].stop_s)}, and that is not by chance."
    return words
