"""Recorded numbers of any type mapped to int16 counts, without loss where that is possible."""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.errors import FormatError
from misfire.ingest.grid import MAX_COUNT, GridSearch
from misfire.ingest.scratch import Scratch
from misfire.ingest.source import READ_SAMPLES, Counts, Progress, RawColumn, read_array
from misfire.numerals import spell
from misfire.records import Finding

_HUGE = 9e36  # SCPI prints 9.9E37 for infinity (SCPI-99, vol. 1, 7.2.1.4; from memory)
_NARROW = {"b": (-128, 127), "B": (0, 255), "?": (-32768, 32767), "h": (-32768, 32767)}


def map_counts(
    column: RawColumn,
    *,
    name: str,
    scratch: Scratch,
    keep: bool = False,
    progress: Progress | None = None,
) -> Counts:
    """Map a column of recorded numbers to int16 counts.

    Parameters
    ----------
    column : RawColumn
    name : str
        The channel, for findings and messages.
    scratch : Scratch
        Where the counts go when they cannot be made from the file at each reading.
    keep : bool
        Write the counts to scratch in any case, since the column itself will not last.
    progress : callable (stage, fraction), optional

    Returns
    -------
    counts : Counts
        Integers of up to 16 bits as they are (unsigned ones shifted by 32768). Wider integers
        and floats exactly, where they lie on an even grid of at most 65,533 places: the ADC
        step is found and checked on every number. Else quantised to 16 bits over their range,
        with a finding `requantised`. Numbers that are not finite become counts one beyond the
        highest or lowest seen, which `clip_high` and `clip_low` then name.

    Raises
    ------
    FormatError
        If the type is no real number, or no number at all is finite.
    """
    if column.n_samples == 0:
        raise FormatError(f"channel {name!r}: the file holds no samples of it")
    kind, char = column.dtype.kind, column.dtype.newbyteorder("=").char
    if kind not in "biuf":
        raise FormatError(
            f"channel {name!r}: numbers of type {column.dtype} cannot be used; export integers or "
            "floats"
        )
    if char in _NARROW and column.full_scale is None:
        low, high = _NARROW[char]
        counts = Counts(
            column.n_samples,
            lambda start, stop: column.read(start, stop).astype(np.int16, copy=False),
            clip_low=low,
            clip_high=high,
        )
    elif kind in "iu" and column.dtype.itemsize <= 4 or char in "lq":
        counts = _map_integers(column, name, progress)
    else:
        return _map_floats(column, name, scratch, keep=keep, progress=progress)
    return _keep_counts(counts, scratch) if keep else counts


def _keep_counts(counts: Counts, scratch: Scratch) -> Counts:
    """Write the counts to scratch and read them from there."""
    file = scratch.new_file()
    for start in range(0, counts.n_samples, READ_SAMPLES):
        file.append(counts.read(start, min(start + READ_SAMPLES, counts.n_samples)))
    return _from_array(counts, file.map(np.int16))


def _from_array(counts: Counts, kept: NDArray[np.int16]) -> Counts:
    """Give the same counts, read from an array that is mapped from disk."""
    return Counts(
        counts.n_samples,
        read_array(kept),
        counts.step,
        counts.base,
        counts.clip_low,
        counts.clip_high,
        counts.findings,
    )


def _map_integers(column: RawColumn, name: str, progress: Progress | None) -> Counts:
    """Map integers wider than int16: shifted and divided by their common step."""
    first = int(column.read(0, 1)[0])
    low = high = first
    step = 0
    for start in range(0, column.n_samples, READ_SAMPLES):
        block = column.read(start, min(start + READ_SAMPLES, column.n_samples))
        low, high = min(low, int(block.min())), max(high, int(block.max()))
        if step != 1:
            apart = block.astype(np.int64) - first
            step = math.gcd(step, int(np.gcd.reduce(apart)))
        _tell(progress, start, column.n_samples)
    step = max(step, 1)
    findings: tuple[Finding, ...] = ()
    if low >= -32768 and high <= 32767:
        step, base = 1, 0
    elif low % step == 0 and max(-low, high) // step <= 32767:
        base = 0
    elif (high - low) // step <= 65535:
        base = low + 32768 * step
        if high <= 65535 and low >= 0 and step == 1:
            base = 32768
    else:
        scale = (high - low) / (2 * MAX_COUNT)
        middle = (high + low) / 2
        findings = (_requantised(name, scale),)

        def quantise(start: int, stop: int) -> NDArray[np.int16]:
            values = column.read(start, stop).astype(np.float64)
            return np.rint((values - middle) / scale).astype(np.int16)

        return _clip_at_full_scale(
            Counts(column.n_samples, quantise, scale, middle, findings=findings), column, low, high
        )

    def shift(start: int, stop: int) -> NDArray[np.int16]:
        values = column.read(start, stop).astype(np.int64)
        return ((values - base) // step).astype(np.int16)

    counts = Counts(column.n_samples, shift, float(step), float(base))
    return _clip_at_full_scale(counts, column, low, high)


def _clip_at_full_scale(counts: Counts, column: RawColumn, low: int, high: int) -> Counts:
    """Let the counts at the limits of the integers' range stand for over range."""
    limits = column.full_scale
    if limits is None:
        info = np.iinfo(column.dtype)
        limits = (int(info.min), int(info.max))
    clip_low, clip_high = counts.clip_low, counts.clip_high
    if low == limits[0]:
        clip_low = round((low - counts.base) / counts.step)
    if high == limits[1]:
        clip_high = round((high - counts.base) / counts.step)
    return Counts(
        counts.n_samples,
        counts.read,
        counts.step,
        counts.base,
        clip_low,
        clip_high,
        counts.findings,
    )


def _map_floats(
    column: RawColumn, name: str, scratch: Scratch, *, keep: bool, progress: Progress | None
) -> Counts:
    """Map floats: on their grid where there is one, else quantised over their range."""
    eps = float(np.finfo(column.dtype).eps) if column.dtype.kind == "f" else 2.0**-52
    search = GridSearch(eps=max(eps, 2.0**-52), is_text=column.is_text)
    n_over = 0
    for start in range(0, column.n_samples, READ_SAMPLES):
        values = _read_floats(column, start)
        finite = np.isfinite(values)
        if not finite.all():
            values = values[finite]
            n_over += finite.size - values.size
        search.add(values)
        _tell(progress, start, column.n_samples)
    if search.low > search.high:
        raise FormatError(
            f"channel {name!r}: not one of its {n_over} samples is a number; export it again"
        )
    findings: list[Finding] = []
    if search.step is not None:
        step, base = search.step, search.base
    else:
        step = max((search.high - search.low) / (2 * MAX_COUNT), 1e-30)
        base = search.low + step * MAX_COUNT
        findings.append(_requantised(name, step))
    top = round((search.high - base) / step) + 1
    bottom = round((search.low - base) / step) - 1

    def place(values: NDArray[Any]) -> NDArray[np.int16]:
        return np.rint((values.astype(np.float64) - base) / step).astype(np.int16)

    def read(start: int, stop: int) -> NDArray[np.int16]:
        return place(column.read(start, stop))

    if n_over == 0:
        counts = Counts(column.n_samples, read, step, base, findings=tuple(findings))
        return _keep_counts(counts, scratch) if keep else counts
    file = scratch.new_file()
    is_high, is_low = False, False
    rising = True  # side of the last number seen: where an unsigned over-range mark belongs
    middle = (search.low + search.high) / 2
    for start in range(0, column.n_samples, READ_SAMPLES):
        filled, rising = _fill_unsigned(_read_floats(column, start), middle, rising)
        over, under = filled == np.inf, filled == -np.inf
        is_high, is_low = is_high or bool(over.any()), is_low or bool(under.any())
        filled[over | under] = base
        block = place(filled)
        block[over], block[under] = top, bottom
        file.append(block)
    findings.append(
        Finding(
            "over_range",
            "warning",
            f"{n_over} of {column.n_samples} samples are over range or empty in the file; they "
            "stand just beyond the highest or lowest number recorded",
            name,
        )
    )
    clips = (bottom if is_low else -32768, top if is_high else 32767)
    counts = Counts(column.n_samples, read, step, base, *clips, tuple(findings))
    return _from_array(counts, file.map(np.int16))


def _read_floats(column: RawColumn, start: int) -> NDArray[np.float64]:
    """Read a block; numbers too large to be any become infinite."""
    recorded = column.read(start, min(start + READ_SAMPLES, column.n_samples))
    with np.errstate(invalid="ignore"):  # a signalling NaN becomes a quiet one
        values = recorded.astype(np.float64)
    huge = np.abs(values) > _HUGE
    if huge.any():
        values[huge] = np.copysign(np.inf, values[huge])
    return values


def _fill_unsigned(
    values: NDArray[np.float64], middle: float, rising: bool
) -> tuple[NDArray[np.float64], bool]:
    """Turn NaN into an infinity with the side, seen from `middle`, of the number before it."""
    holes = np.isnan(values)
    sides = values >= middle
    places = np.where(holes, -1, np.arange(values.size))
    last = np.maximum.accumulate(places)
    side = np.where(last >= 0, sides[np.maximum(last, 0)], rising)
    filled = np.where(holes, np.where(side, np.inf, -np.inf), values)
    return filled, bool(side[-1])


def _requantised(name: str, step: float) -> Finding:
    """Make the finding for numbers that no 16-bit grid holds."""
    return Finding(
        "requantised",
        "info",
        f"the recorded numbers do not lie on an even grid of 16 bits; they are kept in steps of "
        f"{spell(step, 4)} over their range, an error of half a step at most",
        name,
    )


def _tell(progress: Progress | None, start: int, n_samples: int) -> None:
    """Report how far a pass over a column has come."""
    if progress is not None:
        progress("scale", min(1.0, (start + READ_SAMPLES) / n_samples))
