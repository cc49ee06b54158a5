"""The report as one HTML page that needs nothing else: page one for the customer, then the rest."""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import dataclass
from importlib import resources
from pathlib import PurePath
from typing import Any

from misfire.records import CylinderResult, Diagnosis, WaveformPanel
from misfire.report.advice import cautions, next_tests
from misfire.report.rows import build_band_rows, build_event_rows, build_rank_row
from misfire.report.spread import compute_median, draw_spread, split_values
from misfire.report.story import (
    compare_values,
    write_facts,
    write_headline,
)
from misfire.report.summary import read_version, to_plain
from misfire.report.timeline import STRIP_BINS, draw_strip, pack_timeline
from misfire.report.waveforms import MAX_LINES, Marks, draw_panel
from misfire.report.wording import (
    GLOSSARY,
    QUANTITIES,
    Quantity,
    format_clock,
    format_count,
    format_duration,
    name_fault,
    pick_suspects,
)

WIDE, NARROW = 720, 380
PANELS_SIZE = 800_000  # characters of waveform pictures, to keep the page under 1.5 MB
MIN_REFERENCE = 5  # fewer good firings of its own: the other cylinders are the reference
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


def format_page(diagnosis: Diagnosis) -> str:
    """Give the report as one self-contained HTML page.

    Parameters
    ----------
    diagnosis : Diagnosis

    Returns
    -------
    page : str
        No network request, no clock time: the same diagnosis gives the same page. All text from
        outside is escaped.
    """
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    folder = resources.files("misfire.report")
    style = (folder / "page.css").read_text(encoding="utf-8")
    script = (folder / "page.js").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    frame = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_keep_per_cent,
    )
    template = frame.from_string((folder / "page.html.j2").read_text(encoding="utf-8"))
    page: str = template.render(
        _context(diagnosis),
        style=Markup(style),
        script=Markup(script),
        script_hash=f"sha256-{digest}",
    )
    return page if page.endswith("\n") else page + "\n"


def _keep_per_cent(value: Any) -> Any:
    """Keep a number and its per cent sign on one line."""
    return value.replace(" %", "\u00a0%") if type(value) is str else value


def _context(diagnosis: Diagnosis) -> dict[str, Any]:
    """Collect all the template needs."""
    suspects = pick_suspects(diagnosis)
    ranked = sorted(diagnosis.cylinders, key=lambda c: c.rank)
    estimated = diagnosis.job.engine.coil_turns_ratio is None
    quantities = [q for q in QUANTITIES if diagnosis.events[q.column].notna().any()]
    timeline = pack_timeline(diagnosis)
    tests = [_tests(diagnosis, c) for c in suspects[:3]]
    panels = _show_panels(diagnosis)
    kv_words = (
        " Voltages in kV are estimates: the job card gives no coil_turns_ratio, so only their "
        "ratios hold."
        if estimated and any(q.unit == "kV" for q in quantities)
        else ""
    )
    evidence = _pick_evidence(diagnosis, suspects, panels)
    return {
        "vehicle": diagnosis.vehicle,
        "note": diagnosis.note,
        "headline": write_headline(diagnosis),
        "covered": f"{format_duration(diagnosis.duration_s)}, "
        f"{format_count(len(diagnosis.events))} firings",
        "facts": write_facts(diagnosis),
        "evidence": evidence,
        "first_tests": _first_tests(diagnosis, tests),
        "cautions": cautions(),
        "ranking": [build_rank_row(c, suspect=c in suspects) for c in ranked],
        "comparisons": [
            {"cylinder": c.cylinder, "rows": rows}
            for c in suspects[:3]
            if (rows := compare_values(diagnosis, c.cylinder))
        ],
        "kv_words": kv_words,
        "timeline": timeline,
        "timeline_words": _timeline_words(timeline),
        "strip": _safe(draw_strip(diagnosis, width=WIDE, key="strip")),
        "strip_piece": format_duration(diagnosis.duration_s / STRIP_BINS),
        "bands": [
            {"cylinder": c.cylinder, "rows": found}
            for c in suspects[:3]
            if (found := build_band_rows(diagnosis, c))
        ],
        "panels": [p for p in panels if p is not evidence],
        "panels_left_out": len(diagnosis.panels) - len(panels),
        "spreads": _spreads(diagnosis, quantities, suspects, estimated=estimated),
        "quantities": quantities,
        **build_event_rows(diagnosis, quantities),
        "findings": sorted(
            diagnosis.findings, key=lambda f: ("error", "warning", "info").index(f.severity)
        ),
        "notes": diagnosis.notes,
        "tests": tests or [{"title": "In general", "steps": _general(diagnosis)}],
        "method": _method(diagnosis),
        "glossary": GLOSSARY,
    }


def _safe(svg: str) -> Any:
    """Mark finished SVG, whose texts were escaped where it was made, as safe."""
    from markupsafe import Markup

    return Markup(svg)


def _tests(diagnosis: Diagnosis, result: CylinderResult) -> dict[str, Any]:
    """Give the next tests of a suspect: its own, else those of its likeliest fault."""
    kind = max(result.faults, key=lambda item: item[1], default=("", 0.0))[0]
    steps = result.next_tests or (
        next_tests(
            kind,
            ignition=diagnosis.job.engine.ignition,
            channels_present=frozenset(c.role for c in diagnosis.job.channels),
        )
        if kind
        else _general(diagnosis)
    )
    title = f"Cylinder {result.cylinder}"
    return {"title": f"{title}: {name_fault(kind)}" if kind else title, "steps": steps}


def _first_tests(diagnosis: Diagnosis, tests: list[dict[str, Any]]) -> tuple[str, ...]:
    """Give what page one tells to do."""
    if tests:
        return tuple(tests[0]["steps"][:3])
    return _general(diagnosis)


def _general(diagnosis: Diagnosis) -> tuple[str, ...]:
    """Say what to do when no cylinder is accused."""
    if diagnosis.verdict == "no_misfire":
        return (
            "If the complaint stays, record again in the very conditions it comes in (cold or "
            "warm, speed, load), and longer: a rare fault needs many firings to show.",
            "Read the stored trouble codes with their freeze frames, to learn those conditions.",
            "No ignition or fuel part needs replacing on the strength of this recording.",
        )
    steps = [
        *diagnosis.notes[1:3],
        "Record again with at least one coil primary (through an attenuator) and the crank "
        "sensor together, in the conditions of the complaint.",
        "Do not replace parts on the strength of this recording.",
    ]
    return tuple(steps)


def _show_panels(diagnosis: Diagnosis) -> list[Shown]:
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
    marks = _marks(diagnosis, panel.cylinder)
    pictures = [
        _safe(draw_panel(panel, marks, width=width, key=f"panel-{index}-{css}", css=css))
        for width, css in ((WIDE, "wide"), (NARROW, "narrow"))
    ]
    count = min(len(panel.suspect), MAX_LINES)
    when = [format_clock(t) for t in panel.suspect_time_s[:count]]
    words = f"Lines: {count} of the worst firings"
    if when:
        words += f" (from {min(when, key=_clock_key)} to {max(when, key=_clock_key)})"
    words += ". Band: the middle 80 % of good firings, dashed their median"
    words += f" ({panel.good_from})." if panel.good_from else "."
    role = ROLE_WORDS.get(panel.role, panel.role.replace("_", " ").capitalize())
    title = f"{role} of cylinder {panel.cylinder}"
    if panel.channel and panel.channel != role:
        title += f" (channel {panel.channel})"
    return Shown("waveform", title, words, *pictures)


def _clock_key(clock: str) -> tuple[int, str]:
    """Sort clock texts by the instant they name."""
    return len(clock), clock


def _marks(diagnosis: Diagnosis, cylinder: int) -> Marks:
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


def _pick_evidence(
    diagnosis: Diagnosis, suspects: tuple[CylinderResult, ...], panels: list[Shown]
) -> Shown | None:
    """Pick the one picture of page one: waveform, else the values side by side, else the strip."""
    kind = (
        max(suspects[0].faults, key=lambda item: item[1], default=("", 0.0))[0] if suspects else ""
    )
    waveform = None
    if suspects:
        waveform = next(
            (
                panels[k]
                for k, p in enumerate(diagnosis.panels[: len(panels)])
                if p.cylinder == suspects[0].cylinder
            ),
            None,
        )
    if waveform is not None and kind not in TORQUE_FAULTS:
        return waveform
    order = ("segment_accel", "burn_time_ms", "firing_voltage_kv", "peak_current_a", "dwell_ms")
    if suspects and kind not in TORQUE_FAULTS:
        order = ("burn_time_ms", "dwell_ms", "peak_current_a", "firing_voltage_kv", "segment_accel")
    known = {q.column: q for q in QUANTITIES if diagnosis.events[q.column].notna().any()}
    column = next((name for name in order if name in known), None)
    if column is not None:
        quantity = known[column]
        drawn = draw_spread(
            split_values(diagnosis, quantity.column),
            quantity,
            suspects=frozenset(c.cylinder for c in suspects),
            estimated=quantity.unit == "kV" and diagnosis.job.engine.coil_turns_ratio is None,
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
            return Shown("spread", f"{quantity.label} of each cylinder", words, _safe(drawn))
    if waveform is not None:
        return waveform
    strip = draw_strip(diagnosis, width=WIDE, key="evidence")
    return Shown("strip", "The whole recording", "Speed and lost combustions.", _safe(strip))


def _timeline_words(timeline: dict[str, Any]) -> str:
    """Say whether all firings are in the picture."""
    shown, total = timeline["shown"], timeline["total"]
    if shown == total:
        return f"All {format_count(total)} firings are in it; zoom in to see each."
    return (
        f"It holds {format_count(shown)} of {format_count(total)} firings, those with the highest "
        "probability."
    )


def _spreads(
    diagnosis: Diagnosis,
    quantities: list[Quantity],
    suspects: tuple[CylinderResult, ...],
    *,
    estimated: bool,
) -> list[Any]:
    """Draw one box plot for each measured quantity."""
    drawn = [
        draw_spread(
            split_values(diagnosis, q.column),
            q,
            suspects=frozenset(c.cylinder for c in suspects),
            estimated=estimated and q.unit == "kV",
            key=f"spread-{q.column}",
        )
        for q in quantities
    ]
    return [_safe(svg) for svg in drawn if svg]


def _method(diagnosis: Diagnosis) -> list[tuple[str, str]]:
    """Give the rows that say from what and how the result was made."""
    engine = diagnosis.job.engine
    rows = [
        ("Recording", PurePath(diagnosis.source).name),
        ("SHA-256", diagnosis.sha256),
        (
            "Engine",
            f"{engine.cylinders} cylinders, firing order "
            f"{'-'.join(map(str, engine.firing_order))}, {engine.ignition.replace('_', ' ')}",
        ),
        (
            "Channels",
            "; ".join(f"{c.name} ({c.role.replace('_', ' ')})" for c in diagnosis.job.channels),
        ),
    ]
    rows += [
        (f"Seen of {f'cylinder {key}' if str(key).isdecimal() else key}", _plain_text(value))
        for key, value in diagnosis.witnesses.items()
    ]
    rows += [(f"Setting: {key}", _plain_text(value)) for key, value in diagnosis.settings.items()]
    rows.append(("Program version", read_version()))
    return rows


def _plain_text(value: Any) -> str:
    """Give a setting as short text."""
    plain = to_plain(value)
    if plain is None:
        return "–"
    if isinstance(plain, list) and all(isinstance(v, str) for v in plain):
        made = ", ".join(plain)
    else:
        made = plain if isinstance(plain, str) else json.dumps(plain, ensure_ascii=False)
    return made if len(made) <= 400 else f"{made[:400]} …"
