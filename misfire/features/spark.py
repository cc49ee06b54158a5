"""Spark of each firing, in ratio to the cylinder's own firings and to the other cylinders."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from misfire.columns import DIFFERENCE_FIELDS, RATIO_FIELDS
from misfire.dsp.running import running_quantile
from misfire.records import STROKE_FIELDS, STROKE_FLAGS, Firings, StrokeTrain

LEAD_S, LAG_S = 12e-3, 3e-3  # a channel shows a missing stroke only with this much around it
LEAST_FIT = 0.2  # share of a channel's strokes that belong to firings, several strikes to one
OWN_UNITS = {
    "firing_v": "pickup_firing",
    "firing_v_error": "pickup_firing_error",
    "burn_level_v": "pickup_burn_level",
}
"""Measures of a pick-up in units of its own, or of such: they stand in columns of their own."""
SUPPLY_REACH = 8  # firings on each side that the supply is taken over: it is slow, and a coarse
# instrument tells it in steps of a fifth
RECHARGED_S = 60e-6  # a line that ends so near to the next charge was ended by it
OWN_REACH = 15  # firings of the same cylinder on each side that make its reference


def gather_strokes(
    firings: Firings,
    trains: Sequence[StrokeTrain],
    *,
    blind: Mapping[str, NDArray[np.bool_]] = MappingProxyType({}),
) -> dict[str, NDArray[np.float64]]:
    """Bring what all channels saw of each firing into one row.

    Parameters
    ----------
    firings : Firings
    trains : sequence of StrokeTrain
        Primary, current, trigger and secondary channels, in order of precedence.
    blind : mapping of channel name to bool array [shape=(n_firings,)]
        Firings at which a channel must not be heard when it shows no stroke.

    Returns
    -------
    columns : dict of float64 arrays [shape=(n_firings,)]
        One for each of STROKE_FIELDS that is a measure; NaN where no channel saw it. OWN_UNITS:
        what pick-ups show, in the unit of the cylinder's own pick-up, so that only ratios within a
        cylinder mean anything. `flags` is the union of the channels' flags; `watched` says that a
        channel of this cylinder's coil exists that must show a switch-off; `recharged` that the
        coil was charged anew while its spark still burned.
    """
    n = firings.cylinder.size
    measures = [name for name, kind in STROKE_FIELDS if kind == "f8"]
    columns = {name: np.full(n, np.nan) for name in (*measures, *OWN_UNITS.values())}
    flags = np.zeros(n, np.int64)
    restrikes = np.zeros(n)
    watched, power_watched, power_seen, recharged = (np.zeros(n, bool) for _ in range(4))
    first_s = min((float(t.strokes["stop_s"][0]) for t in trains if t.strokes.size), default=np.inf)
    for train in trains:
        rows = firings.stroke_index.get(train.channel.name, np.full(n, -1))
        seen = train.channel.cylinders
        # Strokes that belong to no firing: the crank angle is wrong there, not the coil.
        fits = (rows >= 0).sum() >= LEAST_FIT * train.strokes.size
        # of a coil that never fires noise may still make a stroke or two
        few = train.strokes.size < LEAST_FIT * np.isin(firings.cylinder, seen).sum()
        dead = len(seen) == 1 and first_s < np.inf and few and not (rows >= 0).any()
        if train.channel.role != "coil_secondary" and (dead or (fits and train.strokes.size)):
            own = np.isin(firings.cylinder, seen or _met_cylinders(rows, firings))
            # Before the first spark of any coil the control unit had not yet begun to fire.
            covered = own & _is_covered(train, firings.spark_s) & (firings.spark_s >= first_s)
            if train.channel.name in blind:
                covered &= ~blind[train.channel.name]
            watched |= covered
            if train.channel.role != "coil_trigger":
                power_watched |= covered
                power_seen |= rows >= 0
        has = rows >= 0
        shown = train.strokes.dtype.names or ()
        for name in measures:
            if name not in shown:
                continue
            column = columns[name]
            values = train.strokes[name][rows[has]]
            # A pick-up's kick is in its own units and must not pass for primary volts.
            if train.channel.role == "coil_secondary" and name in OWN_UNITS:
                column, values = columns[OWN_UNITS[name]], np.abs(values)
            take = np.isnan(column[has])
            column[np.flatnonzero(has)[take]] = values[take]
        flags[has] |= train.strokes["flags"][rows[has]].astype(np.int64)
        restrikes[has] = np.maximum(restrikes[has], train.strokes["restrikes"][rows[has]])
        if "burn_time_ms" in shown:
            recharged[has] |= _find_recharged(train.strokes)[rows[has]]
    # A command without a current behind it is a dead driver or coil: the trigger alone is no spark.
    missing = np.where(power_watched, ~power_seen, watched & ~firings.seen)
    columns["dwell_ms"][missing] = 0.0
    flags[missing] |= STROKE_FLAGS["no_dwell"]
    columns["flags"] = flags.astype(float)
    columns["restrikes"] = restrikes
    columns["watched"] = watched.astype(float)
    columns["recharged"] = recharged.astype(float)
    return columns


def _find_recharged(strokes: NDArray[np.void]) -> NDArray[np.bool_]:
    """Find the strokes of one coil whose burn the next charge ended, as several strikes do."""
    ends = strokes["stop_s"] + 1e-3 * strokes["burn_time_ms"]
    recharged = np.zeros(ends.size, bool)
    with np.errstate(invalid="ignore"):
        recharged[:-1] = strokes["start_s"][1:] - ends[:-1] < RECHARGED_S
    return recharged


def _met_cylinders(rows: NDArray[np.int64], firings: Firings) -> list[int]:
    """Which cylinders a channel that does not say so sees: all, unless most never show in it."""
    cylinders, n = np.unique(firings.cylinder, return_counts=True)
    met = [
        int(c)
        for c, k in zip(cylinders, n, strict=True)
        if (rows[firings.cylinder == c] >= 0).sum() > 0.1 * k
    ]
    return met if 2 * len(met) < cylinders.size else [int(c) for c in cylinders]


def _is_covered(train: StrokeTrain, spark_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether the channel was recording from before the dwell to after the switch-off."""
    channel = train.channel
    if channel.is_levels and not train.strokes.size:
        return np.ones(spark_s.size, bool)
    if channel.is_levels:
        first, last = float(train.strokes["stop_s"][0]), float(train.strokes["stop_s"][-1])
    else:
        first = channel.start_s + LEAD_S
        last = channel.start_s + channel.n_samples / channel.rate_hz - LAG_S
    return np.asarray((spark_s >= first) & (spark_s <= last))


def iterate_spark(
    columns: dict[str, NDArray[np.float64]], firings: Firings, *, kept: Sequence[str] | None = None
) -> Iterator[tuple[str, NDArray[np.float64]]]:
    """Compare every spark measure with the cylinder's own firings and with the other cylinders.

    Parameters
    ----------
    columns : dict of float64 arrays [shape=(n_firings,)]
        From `gather_strokes`.
    firings : Firings
    kept : sequence of str, optional
        Columns beside these are taken out of `columns` as soon as nothing more needs them; left
        out, all stay.

    Yields
    ------
    name : str
    feature : float64 array [shape=(n_firings,)]
        `<field>_own` and `<field>_others`: natural log of the ratio to the running median of the
        same cylinder and of the other cylinders (differences for fields that may be zero), NaN
        where either is missing. `form_*`: see FORM_COLUMNS. `no_breakdown`, `no_dwell`: 0 or 1,
        NaN where nothing could show. One after the other: no two need be in memory.

    Notes
    -----
    Ratios to the recording itself transfer from engine to engine, absolute values do not.
    """
    cylinders = np.unique(firings.cylinder)
    by_cylinder = {int(c): np.flatnonzero(firings.cylinder == c) for c in cylinders}
    yield from _iterate_form(columns, by_cylinder)
    flags = columns["flags"].astype(np.int64)
    shows_burn = np.isfinite(columns["burn_time_ms"])
    yield "no_breakdown", np.where(shows_burn, (columns["burn_time_ms"] == 0) * 1.0, np.nan)
    watched = columns["watched"] > 0
    lost = (flags & STROKE_FLAGS["no_dwell"]) > 0
    yield "no_dwell", np.where(watched, lost * 1.0, np.nan)
    del flags, shows_burn, watched, lost
    compared = (*RATIO_FIELDS, *DIFFERENCE_FIELDS)
    passing = set() if kept is None else set(columns) - set(kept)
    for name in passing.difference(compared):
        del columns[name]
    for name in compared:
        values = columns.pop(name) if name in passing else columns[name]
        ratio = name in RATIO_FIELDS
        if ratio:
            with np.errstate(divide="ignore", invalid="ignore"):
                values = np.where(values > 0, np.log(values), np.nan)
        alone = _get_own_units(columns, name, values, by_cylinder, ratio=ratio)
        own = np.full(values.size, np.nan)
        level = {}
        for c, rows in by_cylinder.items():
            own[rows] = running_quantile(alone[rows], reach=OWN_REACH, skip_self=True)
            finite = values[rows][np.isfinite(values[rows])]
            level[c] = float(np.median(finite)) if finite.size >= 3 else np.nan
        others = np.full(values.size, np.nan)
        known = {c: v for c, v in level.items() if np.isfinite(v)}
        for c, rows in by_cylinder.items():
            rest = [k for k in known if k != c]
            if rest and c in known:
                # The other cylinders near in time: the operating point is the same.
                mask = np.isin(firings.cylinder, rest)
                others[rows] = _nearby_median(values, mask, rows, reach=2 * len(rest) + 2)
        np.subtract(alone, own, out=own)
        np.subtract(values, others, out=others)
        del values, alone  # in a long recording large
        yield f"{name}_own", own
        yield f"{name}_others", others


def _get_own_units(
    columns: dict[str, NDArray[np.float64]],
    name: str,
    values: NDArray[np.float64],
    by_cylinder: dict[int, NDArray[np.int64]],
    *,
    ratio: bool,
) -> NDArray[np.float64]:
    """Give what a cylinder is compared with itself by: a pick-up's units where nothing else is."""
    other = columns.get(OWN_UNITS.get(name, ""))
    if other is None or not ratio:
        return values
    alone = values
    for rows in by_cylinder.values():
        if not np.isfinite(values[rows]).any() and np.isfinite(other[rows]).any():
            alone = values.copy() if alone is values else alone
            with np.errstate(divide="ignore", invalid="ignore"):
                alone[rows] = np.where(other[rows] > 0, np.log(other[rows]), np.nan)
    return alone


def _iterate_form(
    columns: dict[str, NDArray[np.float64]], by_cylinder: dict[int, NDArray[np.int64]]
) -> Iterator[tuple[str, NDArray[np.float64]]]:
    """Shape of each stroke in numbers without a unit; see FORM_COLUMNS.

    Stored energy L I^2 / 2 with L = V / slope, spark energy I/2 x level x time (the secondary
    current falls in a straight line to zero): closed forms (docs/sources.md).
    """
    supply = _average_nearby(columns["battery_v"])
    peak, slope = columns["peak_current_a"], columns["ramp_a_per_ms"]
    level, fired = columns["burn_level_v"], columns["firing_v"]
    burn = columns["burn_time_ms"]
    # what rings behind a spark that the next charge ended is that charge
    ring = np.where(columns["recharged"] > 0, np.nan, columns["ring_v"])

    def has(flag: str) -> NDArray[np.bool_]:
        return np.asarray((columns["flags"].astype(np.int64) & STROKE_FLAGS[flag]) != 0)

    def take_pickup(name: str) -> NDArray[np.float64]:
        values = np.log(columns[name])  # of units that are each pick-up's own
        for rows in by_cylinder.values():
            known = values[rows][np.isfinite(values[rows])]
            values[rows] -= np.median(known) if known.size else np.nan
        return values

    form: dict[str, Callable[[], NDArray[np.float64]]] = {
        "form_step": lambda: columns["ramp_step_a"] / peak,
        "form_bend": lambda: columns["ramp_bend"],
        "form_ring_on": lambda: np.log(columns["ramp_ring_a"] / peak),
        "form_tail": lambda: columns["tail_a"] / peak,
        # a top that the instrument cut off tells its range, and nothing of the coil
        "form_kick": lambda: np.log(
            np.where(has("clipped"), np.nan, columns["primary_peak_v"]) / supply
        ),
        "form_burn_level": lambda: np.log(level / supply),
        "form_ring": lambda: np.log(ring / supply),
        "form_efficiency": lambda: np.log(level * burn * slope / (supply * peak)),
        "form_burn_ms": lambda: np.log(burn),
        # of a kick that fell between samples, but for one that no line follows, it is a guess
        "form_breakdown_us": lambda: np.log(
            np.where(np.isfinite(fired) | (burn == 0), columns["breakdown_us"], np.nan)
        ),
        "form_dwell_ms": lambda: np.log(columns["dwell_ms"]),
        "form_peak_a": lambda: np.log(peak),
        "form_slope": lambda: np.log(slope),
        "form_firing": lambda: np.log(fired / supply),
        "form_firing_error": lambda: columns["firing_v_error"],
        "form_pickup": lambda: np.where(np.isfinite(fired), np.nan, take_pickup("pickup_firing")),
        "form_pickup_error": lambda: columns["pickup_firing_error"],
        "form_pickup_level": lambda: np.where(
            np.isfinite(level), np.nan, take_pickup("pickup_burn_level")
        ),
        "form_recharged": lambda: columns["recharged"],
        "form_leaks": lambda: np.where(
            np.isfinite(burn),
            has("leaking") * 1.0,
            np.nan,
        ),
    }
    for name, compute in form.items():
        with np.errstate(divide="ignore", invalid="ignore"):
            values = compute()
        yield name, np.where(np.isfinite(values), values, np.nan)


def _average_nearby(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean of what is known of the neighbours in time; NaN where the row itself is not known."""
    known = np.isfinite(values)
    sums = np.cumsum(np.insert(np.where(known, values, 0.0), 0, 0.0))
    counts = np.cumsum(np.insert(known.astype(float), 0, 0.0))
    at = np.arange(values.size)
    last, first = np.minimum(at + SUPPLY_REACH + 1, at.size), np.maximum(at - SUPPLY_REACH, 0)
    with np.errstate(invalid="ignore"):
        return np.where(known, (sums[last] - sums[first]) / (counts[last] - counts[first]), np.nan)


def _nearby_median(
    values: NDArray[np.float64], mask: NDArray[np.bool_], rows: NDArray[np.int64], *, reach: int
) -> NDArray[np.float64]:
    """Median of the masked values nearest in order to each of `rows`."""
    at = np.flatnonzero(mask & np.isfinite(values))
    if at.size < 3:
        return np.full(rows.size, np.nan)
    smooth = running_quantile(values[at], reach=min(reach, (at.size - 1) // 2))
    return np.asarray(smooth[np.clip(np.searchsorted(at, rows), 0, at.size - 1)])
