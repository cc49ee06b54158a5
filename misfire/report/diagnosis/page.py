"""The report as one HTML page that needs nothing else: page one for the customer, then the rest."""

from __future__ import annotations

import json
import re
from pathlib import PurePath
from typing import Any

from misfire import __version__
from misfire.records import CylinderResult, Diagnosis, Finding
from misfire.report.advice import CLIP_ON, cautions, list_engine_tests, next_tests
from misfire.report.context import FEWEST_BOUTS
from misfire.report.diagnosis.exhibits import (
    NARROW,
    WIDE,
    Shown,
    find_marks,
    mark_safe,
    pick_evidence,
    show_panels,
)
from misfire.report.diagnosis.rows import (
    build_condition_rows,
    build_event_rows,
    build_rank_row,
    build_state_rows,
)
from misfire.report.diagnosis.sources import PageNumber, list_lost_rows, list_sources
from misfire.report.diagnosis.story import (
    compare_values,
    list_sheet,
    write_facts,
    write_headline,
    write_lead,
)
from misfire.report.diagnosis.testimony import describe_separable, hear_witnesses, list_heard
from misfire.report.frame import fill_page, hash_script, read_part
from misfire.report.marks import describe_kind_of_mark, list_mark_rows, weigh_marks
from misfire.report.pictures.operating import draw_operating
from misfire.report.pictures.packing import pack_details, pack_waves
from misfire.report.pictures.spread import draw_spread, split_values, word_unit
from misfire.report.pictures.timeline import STRIP_BINS, draw_strip, pack_timeline
from misfire.report.pictures.waveforms import Marks
from misfire.report.remedies import WORDS, explain
from misfire.report.summary import DTC_SOURCE, LOST, to_plain
from misfire.report.wording import (
    GLOSSARY,
    LEARNED_FROM,
    QUANTITIES,
    Quantity,
    begin_sentence,
    format_count,
    format_duration,
    format_instant,
    name_fault,
    pick_suspects,
)

SCRIPTS = (
    "diagnosis/page_unpack.js",
    "diagnosis/page_timeline.js",
    "diagnosis/page_firing.js",
)  # one after the other
MAX_SUSPECTS = 3
ALMOST_ALL = 0.98  # of the firings: few are worth no further word
PAGE_SIZE = 1_270_000  # characters of the whole page, so that an old machine opens it at once
REST_SIZE = 260_000  # of it for tables, small pictures and script


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
    from markupsafe import Markup

    script = '"use strict";\n(function () {\n' + read_part(*SCRIPTS) + "})();\n"
    context = _context(diagnosis) | {
        "style": Markup(read_part("page.css")),
        "script": Markup(script),
        "script_hash": hash_script(script),
    }
    return fill_page("diagnosis/page.html.j2", context)


def _context(diagnosis: Diagnosis) -> dict[str, Any]:
    """Collect all the template needs."""
    suspects = pick_suspects(diagnosis)
    ranked = sorted(diagnosis.cylinders, key=lambda c: c.rank)
    estimated = diagnosis.job.engine.coil_turns_ratio is None
    quantities = [q for q in QUANTITIES if diagnosis.events[q.column].notna().any()]
    timeline = pack_timeline(diagnosis)
    asked = suspects or tuple(c for c in ranked if c.state == "ailing")
    tests = [_tests(diagnosis, c) for c in asked[:MAX_SUSPECTS]]
    panels = show_panels(diagnosis)
    taken = len(json.dumps(timeline)) + sum(len(p.wide) + len(p.narrow) for p in panels)
    waves = pack_waves(diagnosis, room=PAGE_SIZE - REST_SIZE - taken)
    kv_words = (
        " Voltages in kV are estimates: the job card gives no coil_turns_ratio, so only their "
        "ratios hold."
        if estimated and any(q.unit == "kV" for q in quantities)
        else ""
    )
    evidence = pick_evidence(diagnosis, suspects, panels)
    panel = evidence.panel if evidence is not None else None
    marks = Marks() if panel is None else find_marks(diagnosis, panel.cylinder)
    named = suspects[:MAX_SUSPECTS]
    facts = write_facts(diagnosis)
    covered = (
        f"{format_duration(diagnosis.duration_s)}, {format_count(len(diagnosis.events))} firings"
    )
    sources = _keep_shown(
        list_sources(diagnosis, panel=panel, marks=marks),
        [covered, *(" ".join((f.answer, f.aside, *f.more)) for f in facts)],
        evidence,
    )
    return {
        "fewest_bouts": FEWEST_BOUTS,
        "verdict": diagnosis.verdict,
        "headline": write_headline(diagnosis),
        "lead": write_lead(diagnosis),
        "covered": covered,
        **_describe_job(diagnosis),
        "facts": facts,
        "evidence": evidence,
        "first_tests": _first_tests(diagnosis, tests),
        "cautions": cautions(),
        "ranking": [build_rank_row(c, suspect=c in suspects) for c in ranked],
        "comparisons": [
            {"cylinder": c.cylinder, "rows": rows}
            for c in named
            if (rows := compare_values(diagnosis, c.cylinder))
        ],
        "states": build_state_rows(diagnosis),
        "kv_words": kv_words,
        "timeline": timeline,
        "timeline_words": _timeline_words(timeline),
        "strip": mark_safe(draw_strip(diagnosis, width=WIDE, key="strip")),
        "strip_piece": format_instant(diagnosis.duration_s / STRIP_BINS),
        "conditions": [
            {
                "cylinder": c.cylinder,
                "groups": found,
                "pictures": [
                    mark_safe(
                        draw_operating(
                            diagnosis,
                            c.cylinder,
                            width=width,
                            key=f"operating-{c.cylinder}-{css}",
                            css=css,
                        )
                    )
                    for width, css in ((WIDE, "wide"), (NARROW, "narrow"))
                ],
            }
            for c in named
            if (found := build_condition_rows(diagnosis, c))
        ],
        "viewer": {"waves": waves, "details": pack_details(diagnosis)},
        "viewer_words": _viewer_words(diagnosis, waves),
        "heard": list_heard(diagnosis),
        "testimonies": [
            {
                "cylinder": c.cylinder,
                "rows": hear_witnesses(diagnosis, c),
                "separable": describe_separable(diagnosis, c.cylinder),
            }
            for c in (named or ranked[:1])
        ],
        "sources": sources,
        "lost_rows": [_lost_rows(diagnosis, c) for c in named],
        "panels": [p for p in panels if p is not evidence],
        "panels_left_out": len(diagnosis.panels) - len(panels),
        "spreads": _spreads(diagnosis, quantities, suspects),
        "quantities": quantities,
        **build_event_rows(diagnosis, quantities),
        "findings": _list_findings(diagnosis),
        "notes": diagnosis.notes,
        "tests": tests or [{"title": "In general", "steps": _general(diagnosis)}],
        "method": _method(diagnosis),
        "glossary": GLOSSARY,
    }


def _list_findings(diagnosis: Diagnosis) -> list[tuple[Finding, str]]:
    """Give each finding with what to do about it, the worst first."""
    rank = ("error", "warning", "info").index
    return [(f, explain(f)[1]) for f in sorted(diagnosis.findings, key=lambda f: rank(f.severity))]


def _describe_job(diagnosis: Diagnosis) -> dict[str, Any]:
    """Give what the job card says for the file, and its marks."""
    return {
        "vehicle": diagnosis.vehicle,
        "note": diagnosis.note,
        "sheet": list_sheet(diagnosis),
        "dtc_source": DTC_SOURCE,
        "mark_rows": list_mark_rows(diagnosis),
        "mark_words": [describe_kind_of_mark(k) for k in weigh_marks(diagnosis)[1]],
    }


def _tests(diagnosis: Diagnosis, result: CylinderResult) -> dict[str, Any]:
    """Give the next tests of a suspect: its own, else those of its likeliest fault."""
    kind = max(result.faults, key=lambda item: item[1], default=("", 0.0))[0]
    steps = result.next_tests or (
        next_tests(
            kind,
            ignition=diagnosis.job.engine.ignition,
            channels_present=frozenset(c.role for c in diagnosis.job.channels),
            cylinder=result.cylinder,
            waste_pairs=diagnosis.job.engine.waste_pairs,
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
            "If the complaint remains, record again under the same conditions as when it is felt "
            "(cold or warm, speed, load), and for longer: a rare fault needs many firings to show.",
            "Read the stored trouble codes with their freeze frames, to learn those conditions.",
            "This recording is no reason to replace an ignition or fuel part.",
        )
    steps = [f"{begin_sentence(note)}." for note in diagnosis.notes[1:3]]
    if any(r.code == "whole_engine" and r.text in diagnosis.notes for r in diagnosis.reasons):
        steps += list_engine_tests(diagnosis.job.engine.ignition)
    elif any(f.code == "cylinders_unknown" for f in diagnosis.findings):
        steps.append(f"{begin_sentence(WORDS['cylinders_unknown'][1])}. {CLIP_ON}")
    elif not {"coil_primary", "crank"} <= {c.role for c in diagnosis.job.channels}:
        steps.append(
            "Record again with at least one coil primary (through an attenuator) and the crank "
            f"sensor together, under the conditions of the complaint. {CLIP_ON}"
        )
    else:
        steps.append(
            "Record again under the conditions of the complaint (cold or warm, speed, load), and "
            f"for longer. {CLIP_ON}"
        )
    steps.append("This recording is no reason to replace parts.")
    return tuple(steps)


def _keep_shown(
    sources: tuple[PageNumber, ...], texts: list[str], evidence: Shown | None
) -> list[PageNumber]:
    """Keep the sources whose number stands on page one as this page has it."""
    if evidence is not None:
        texts = [*texts, evidence.words, re.sub(r"<[^>]+>", " ", str(evidence.wide))]
    shown = " ".join(texts)
    return [
        s for s in sources if re.search(rf"(?<![\w.]){re.escape(s.number)}(?![\w]|[.:]\d)", shown)
    ]


def _lost_rows(diagnosis: Diagnosis, result: CylinderResult) -> dict[str, Any]:
    """Give the row numbers of a suspect's lost firings, for the table of sources."""
    rows, total = list_lost_rows(diagnosis.events, result.cylinder)
    more = f" and {total - len(rows)} more" if total > len(rows) else ""
    return {"cylinder": result.cylinder, "rows": ", ".join(map(str, rows)) + more, "total": total}


def _viewer_words(diagnosis: Diagnosis, waves: list[dict[str, Any]]) -> str:
    """Say of how many firings the waveform is in the page."""
    if not waves:
        return "No waveforms were kept: the recording has no coil channel with samples."
    kept = max(wave["count"] for wave in waves)
    total = len(diagnosis.events)
    if kept >= total:
        return "The waveforms of all firings are in this page."
    drawn = {int(r) for w in diagnosis.waves for r in w.row[: _count_kept(waves, w.channel)]}
    lost = diagnosis.events.index[diagnosis.events["misfire_probability"] >= LOST]
    missing = sum(int(row) not in drawn for row in lost)
    if kept >= ALMOST_ALL * total and not missing:
        shares = f"{format_count(kept)} of {format_count(total)}"
        return f"The waveforms of {shares} firings are in this page."
    which = f"{format_count(len(lost) - missing)} of the lost ones" if missing else "the lost ones"
    return (
        f"The page holds the waveforms of up to {format_count(kept)} firings of a channel (of "
        f"{format_count(total)} in all): {which}, those next to them and some good ones. "
        "For the rest it has time and probability."
    )


def _count_kept(waves: list[dict[str, Any]], channel: str) -> int:
    """Give how many waveforms of a channel are in the page."""
    return next((int(w["count"]) for w in waves if w["channel"] == channel), 0)


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
) -> list[Any]:
    """Draw one box plot for each measured quantity."""
    drawn = [
        draw_spread(
            split_values(diagnosis, q.column),
            q,
            suspects=frozenset(c.cylinder for c in suspects),
            unit=word_unit(diagnosis, q),
            key=f"spread-{q.column}",
        )
        for q in quantities
    ]
    return [mark_safe(svg) for svg in drawn if svg]


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
        (f"Seen of {key}", _plain_text(value))
        for key, value in diagnosis.witnesses.items()
        if not str(key).isdecimal()
    ]
    counted = {name for name, _ in LEARNED_FROM}  # these stand in the model's name as well
    rows += [
        (f"Setting: {key}", _plain_text(value))
        for key, value in diagnosis.settings.items()
        if key not in counted
    ]
    rows.append(("Program version", __version__))
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
