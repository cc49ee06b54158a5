"""The pictures of the report with their captions: waveforms, and the one of page one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from misfire.records import CylinderResult, Diagnosis, WaveformPanel
from misfire.report.pictures.spread import compute_median, draw_spread, split_values, word_unit
from misfire.report.pictures.timeline import draw_strip
from misfire.report.pictures.waveforms import MAX_LINES, Marks, draw_panel, is_cut_off
from misfire.report.wording import QUANTITIES, format_clock

WIDE, NARROW = 720, 380
PANELS_SIZE = 500_000  # characters of waveform pictures, to keep the page under 1.5 MB
MIN_REFERENCE = 5  # fewer good firings of its own: the other cylinders are the reference
SEEN_SHARE = 0.02  # of height and of length: less is not seen in a picture
TORQUE_FAULTS = ("mixture", "low_compression", "crank_signal")
ROLE_WORDS = {
    "coil_primary": "Coil primary",
    "coil_secondary": "Coil secondary",
    "coil_current": "Coil current",
    "injector_voltage": "Injector voltage",
    "injector_current": "Injector current",
}


@dataclass(frozen=True, slots=True)
class Shown:
    """A picture with its caption; `wide` and `narrow` are finished SVG."""

    kind: str
    title: str
    words: str
    wide: Any
    narrow: Any = ""
    panel: WaveformPanel | None = None


def mark_safe(svg: str) -> Any:
    """Mark finished SVG, whose texts were escaped where it was made, as safe."""
    from markupsafe import Markup

    return Markup(svg)


def show_panels(diagnosis: Diagnosis) -> list[Shown]:
    """Draw the waveform panels in their order, as many as the page has room for."""
    shown: list[Shown] = []
    size = 0
    for index, panel in enumerate(diagnosis.panels):
        drawn = _show_panel(diagnosis, panel, index)
        size += len(drawn.wide) + len(drawn.narrow)
        if shown and size > PANELS_SIZE:
            break
        shown.append(drawn)
    return shown


def _show_panel(diagnosis: Diagnosis, panel: WaveformPanel, index: int) -> Shown:
    """Draw one waveform panel, wide and narrow."""
    marks = find_marks(diagnosis, panel.cylinder)
    pictures = [
        mark_safe(draw_panel(panel, marks, width=width, key=f"panel-{index}-{css}", css=css))
        for width, css in ((WIDE, "wide"), (NARROW, "narrow"))
    ]
    count = min(len(panel.suspect), MAX_LINES)
    when = [format_clock(t) for t in panel.suspect_time_s[:count]]
    words = f"Lines: {count} of the worst firings"
    if when:
        words += f" (from {min(when, key=_clock_key)} to {max(when, key=_clock_key)})"
    words += ". Band: the middle 80 % of good firings, dashed their median"
    words += f" ({panel.good_from})." if panel.good_from else "."
    if is_cut_off(panel):
        words += " Where the swings end flat below zero, the range of the instrument ended."
    role = ROLE_WORDS.get(panel.role, panel.role.replace("_", " ").capitalize())
    title = f"{role} of cylinder {panel.cylinder}"
    if panel.channel and panel.channel != role:
        title += f" (channel {panel.channel})"
    return Shown("waveform", title, words, pictures[0], pictures[1], panel)


def _clock_key(clock: str) -> tuple[int, str]:
    """Sort clock texts by the instant they name."""
    return len(clock), clock


def find_marks(diagnosis: Diagnosis, cylinder: int) -> Marks:
    """Find the medians that name the parts of a pattern."""
    found: dict[str, tuple[float, float]] = {}
    for column in ("dwell_ms", "burn_time_ms", "primary_peak_v"):
        spreads = split_values(diagnosis, column)
        own = next((s for s in spreads if s.cylinder == cylinder), None)
        if own is None:
            return Marks()
        enough = own.good.size >= MIN_REFERENCE
        good = [own.good] if enough else [s.good for s in spreads if s.cylinder != cylinder]
        found[column] = compute_median(*good), compute_median(own.lost)
    return Marks(found["dwell_ms"][0], *found["burn_time_ms"], *found["primary_peak_v"])


def pick_evidence(
    diagnosis: Diagnosis, suspects: tuple[CylinderResult, ...], panels: list[Shown]
) -> Shown | None:
    """Pick the one picture of page one: waveform, else the values side by side, else the strip."""
    kind = (
        max(suspects[0].faults, key=lambda item: item[1], default=("", 0.0))[0] if suspects else ""
    )
    waveform, telling = None, False
    if suspects:
        waveform = next(
            (
                panels[k]
                for k, p in enumerate(diagnosis.panels[: len(panels)])
                if p.cylinder == suspects[0].cylinder
            ),
            None,
        )
    if waveform is not None and waveform.panel is not None:
        telling = shows_difference(waveform.panel)
    if waveform is not None and telling and kind not in TORQUE_FAULTS:
        return waveform
    order: tuple[str, ...] = (
        "segment_accel",
        "burn_time_ms",
        "firing_voltage_kv",
        "peak_current_a",
        "dwell_ms",
    )
    if suspects and kind not in TORQUE_FAULTS:
        order = ("burn_time_ms", "dwell_ms", "peak_current_a", "firing_voltage_kv", "segment_accel")
    known = {q.column: q for q in QUANTITIES if diagnosis.events[q.column].notna().any()}
    if suspects and kind not in TORQUE_FAULTS:
        effects = {q: _effect(diagnosis, q, suspects[0].cylinder) for q in order if q in known}
        order = tuple(sorted(effects, key=lambda name: -effects[name]))
    column = next((name for name in order if name in known), None)
    if column is not None:
        quantity = known[column]
        drawn = draw_spread(
            split_values(diagnosis, quantity.column),
            quantity,
            suspects=frozenset(c.cylinder for c in suspects),
            unit=word_unit(diagnosis, quantity),
            key="evidence",
            width=480,
            height=230,
            css="small",
        )
        if drawn:
            words = (
                "Box: the middle half of the good firings, line 10 to 90 %, with the median. "
                "Triangles: lost firings. "
            )
            words += (
                "The suspect has the diamond." if suspects else "The cylinders are to be compared."
            )
            return Shown("spread", f"{quantity.label} of each cylinder", words, mark_safe(drawn))
    if waveform is not None:
        return waveform
    strip = draw_strip(diagnosis, width=WIDE, key="evidence")
    return Shown("strip", "The whole recording", "Speed and lost combustions.", mark_safe(strip))


def shows_difference(panel: WaveformPanel) -> bool:
    """Tell whether the suspect's firings leave the band of good ones where an eye would see it."""
    import numpy as np

    lines = np.atleast_2d(np.asarray(panel.suspect, dtype=float))
    if not lines.size or not np.isfinite(lines).any():
        return False
    known = np.isfinite(lines).any(axis=0)
    middle = np.full(lines.shape[1], np.nan)
    middle[known] = np.nanmedian(lines[:, known], axis=0)
    room = SEEN_SHARE * float(np.nanmax(panel.good_high) - np.nanmin(panel.good_low))
    outside = (middle > panel.good_high + room) | (middle < panel.good_low - room)
    return bool(outside.mean() > SEEN_SHARE)


def _effect(diagnosis: Diagnosis, column: str, cylinder: int) -> float:
    """Give how far a suspect's values lie from the others' good ones, in their spreads."""
    import numpy as np

    spreads = split_values(diagnosis, column)
    own = next((s for s in spreads if s.cylinder == cylinder), None)
    others = [s.good for s in spreads if s.cylinder != cylinder and s.good.size]
    if own is None or not others:
        return 0.0
    mine = own.lost if own.lost.size else own.good
    good = np.concatenate(others)
    if not mine.size or good.size < MIN_REFERENCE:
        return 0.0
    low, middle, high = np.percentile(good, [25, 50, 75])
    width = max(float(high - low), 0.02 * abs(float(middle)), 1e-9)
    return float(abs(np.median(mine) - middle) / width)
