"""Arrays packed small into the page: the firings' values and waveforms for the viewer.

Waveforms travel as residuals to their cylinder's median, in planes, deflated; as many as
`PAGE_SIZE` leaves room for, lost firings of all channels first, any cut spread over the recording.
"""

from __future__ import annotations

import base64
import zlib
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from misfire.records import Diagnosis, FiringWaves
from misfire.report.pictures.breakdown import word_breakdown
from misfire.report.pictures.spread import Spread, compute_median, split_values
from misfire.report.summary import LOST
from misfire.report.wording import QUANTITIES, Quantity, describe_flags, format_value

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

LEVELS = 2500  # steps of a waveform over its whole swing: finer than a screen shows
MAX_DETAILS = 4000
MISSING = 65535


def deflate(content: bytes) -> str:
    """Compress bytes (RFC 1951, without a header) and give them as base64 text."""
    # noise hardly repeats: "filtered" packs it as small as level 9 does, in a twentieth of its time
    packer = zlib.compressobj(6, zlib.DEFLATED, -15, 8, zlib.Z_FILTERED)
    return base64.b64encode(packer.compress(content) + packer.flush()).decode("ascii")


def pack_planes(values: NDArray[np.int16]) -> str:
    """Pack 16-bit numbers: all low bytes, then all high bytes, compressed."""
    content = values.astype("<i2").tobytes()
    return deflate(content[::2] + content[1::2])


def pack_waves(diagnosis: Diagnosis, *, room: int) -> list[dict[str, Any]]:
    """Pack the firings' waveforms, as many as the page has room for.

    Parameters
    ----------
    diagnosis : Diagnosis
    room : int [unit=characters]

    Returns
    -------
    waves : list of dict
        One for each channel: `time_ms`; `medians` [counts, by cylinder]; `base` [counts] of a
        cylinder without one; `row` and `residual` packed: value = (base or median + residual) x
        `step`. The most telling firings come first and stay when there is not room for all:
        lost ones in every channel before sound ones in any.
    """
    probability = diagnosis.events["misfire_probability"].to_numpy(dtype=float)
    lost = [int((probability[w.row] >= LOST).sum()) for w in diagnosis.waves]
    sound = [w.row.size - n for w, n in zip(diagnosis.waves, lost, strict=True)]
    total, n_lost = sum(lost) + sum(sound), sum(lost)
    share = 1.0
    while total and share * total >= len(diagnosis.waves):
        of_lost = min(1.0, share * total / n_lost) if n_lost else 1.0
        of_sound = max(0.0, share * total - n_lost) / (total - n_lost) if total > n_lost else 0.0
        counts = [int(of_lost * a + of_sound * b) for a, b in zip(lost, sound, strict=True)]
        packed = [
            _pack_wave(diagnosis, w, max(1, n))
            for w, n in zip(diagnosis.waves, counts, strict=True)
        ]
        size = sum(len(p["residual"]) for p in packed)
        if size <= room:
            return packed
        share *= min(0.9, 0.97 * room / size)
    return []


def _pack_wave(diagnosis: Diagnosis, wave: FiringWaves, count: int) -> dict[str, Any]:
    """Pack the first of one channel's waveforms."""
    import numpy as np

    rows, values = wave.row[:count], wave.values[:count].astype(np.float64)
    step = float(np.ptp(values)) / LEVELS or 1.0
    base = np.round(np.median(values, axis=0) / step).astype(np.int64)
    medians = {c: np.round(m / step).astype(np.int64) for c, m in sorted(wave.good_mid.items())}
    owner = diagnosis.events["cylinder"].to_numpy()[rows]
    reference = np.stack([medians.get(int(c), base) for c in owner])
    residual = np.clip(np.round(values / step).astype(np.int64) - reference, -32768, 32767)
    return {
        "channel": wave.channel,
        "role": wave.role,
        "unit": wave.unit,
        "step": float(f"{step:.6g}"),
        "time_ms": [round(float(t), 4) for t in wave.time_ms],
        "base": base.tolist(),
        "medians": {str(c): m.tolist() for c, m in medians.items()},
        "count": count,
        "kept_of": int(wave.row.size),
        "row": deflate(rows.astype("<u4").tobytes()),
        "residual": pack_planes(residual.astype(np.int16)),
    }


def pack_details(diagnosis: Diagnosis) -> dict[str, Any]:
    """Pack the measured values of the firings that the viewer shows.

    Parameters
    ----------
    diagnosis : Diagnosis

    Returns
    -------
    details : dict
        `row` of each firing; each quantity as 16-bit words between `low` and `high`, 65535 for
        not measurable; `flags` as an index into `flag_words` and `breakdown_words`; beside them
        the medians of the good firings, as text: `own` and `others`, by cylinder. `wait` [ms]: from
        switch-off to breakdown, packed alike, where the extras have it.
    """
    import numpy as np

    events = diagnosis.events
    probability = events["misfire_probability"].to_numpy(dtype=float)
    kept = [w.row for w in diagnosis.waves]
    lost = np.flatnonzero(probability >= LOST)
    order = np.concatenate([lost, *kept]) if kept else lost
    _, first = np.unique(order, return_index=True)
    rows = np.sort(order[np.sort(first)][:MAX_DETAILS])
    columns = []
    for quantity in (Quantity("rpm", "Engine speed", "rev/min", 0), *QUANTITIES):
        values = events[quantity.column].to_numpy(dtype=float)
        if not np.isfinite(values).any():
            continue
        columns.append(_pack_column(diagnosis, quantity, values[rows]))
    texts = [text if isinstance(text, str) else "" for text in events["flags"].iloc[rows]]
    words = sorted(set(texts))
    return {
        "row": deflate(rows.astype("<u4").tobytes()),
        "count": int(rows.size),
        "columns": columns,
        "flag_words": [describe_flags(text) for text in words],
        "breakdown_words": [asdict(word_breakdown(text)) for text in words],
        "wait": _pack_wait(diagnosis, rows),
        "flags": deflate(np.array([words.index(t) for t in texts], "<u2").tobytes()),
    }


def _pack_column(
    diagnosis: Diagnosis, quantity: Quantity, values: NDArray[np.float64]
) -> dict[str, Any]:
    """Pack one quantity with the medians beside it."""
    spreads = split_values(diagnosis, quantity.column)
    return {
        "column": quantity.column,
        "label": quantity.label,
        "unit": quantity.unit,
        "decimals": quantity.decimals,
        **_pack_words(values),
        "own": {str(s.cylinder): _median(quantity, s) for s in spreads},
        "others": {
            str(s.cylinder): _median(quantity, *(o for o in spreads if o is not s)) for s in spreads
        },
    }


def _pack_wait(diagnosis: Diagnosis, rows: NDArray[np.int64]) -> dict[str, Any] | None:
    """Pack the time from switch-off to breakdown [ms]; None where nothing knows it."""
    import numpy as np

    if "breakdown_us" not in diagnosis.extras:
        return None
    wait_ms = diagnosis.extras["breakdown_us"].to_numpy(dtype=float)[rows] / 1e3
    return _pack_words(wait_ms) if np.isfinite(wait_ms).any() else None


def _pack_words(values: NDArray[np.float64]) -> dict[str, Any]:
    """Pack numbers as 16-bit words between the least and the greatest of them."""
    import numpy as np

    known = np.isfinite(values)
    low = float(values[known].min()) if known.any() else 0.0
    high = float(values[known].max()) if known.any() else 0.0
    words = np.full(values.size, MISSING, dtype="<u2")
    scale = (MISSING - 1) / (high - low) if high > low else 0.0
    words[known] = np.round((values[known] - low) * scale)
    return {"low": low, "high": high, "words": deflate(words.tobytes())}


def _median(quantity: Quantity, *spreads: Spread) -> str:
    """Give the median of good firings as text."""
    return format_value(compute_median(*(s.good for s in spreads)), quantity.decimals)
