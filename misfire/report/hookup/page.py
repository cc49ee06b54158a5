"""The connection plan as one HTML page that needs nothing else, and as text."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

from misfire.errors import OutputError
from misfire.numerals import spell
from misfire.publishing import write_whole
from misfire.report.advice import cautions
from misfire.report.frame import fill_page, read_part
from misfire.report.hookup.drawing import draw_connections
from misfire.report.hookup.plan import Expected, HookupPlan, Lead, Told
from misfire.report.hookup.rates import RateRow, format_rate, list_rates
from misfire.report.hookup.waveform import draw_expected
from misfire.report.wording import join_words, name_fault

IGNITION_WORDS = {
    "coil_on_plug": "a coil on each plug",
    "wasted_spark": "waste-spark coils",
    "distributor": "one coil and a distributor",
}
TITLES = {
    "coil_primary": "Coil primary",
    "coil_current": "Coil current, common feed",
    "coil_secondary": "Secondary pick-up",
    "crank": "Crank sensor",
    "cam": "Cam sensor",
    "battery_voltage": "Battery voltage",
    "starter_current": "Starter current",
}
WAVE_WORDS = {
    "coil_primary": "The driver pulls the primary to earth, the coil charges; at switch-off the "
    "primary kicks up until the plug's gap breaks down, then the spark burns, then what energy is "
    "left rings down.",
    "coil_current": "Through the clamp round the feed, one ramp for each spark. Its slope "
    "is supply over inductance; a step at its start or a sharp bend is a fault.",
    "coil_secondary": "Either polarity will do; the heights have no scale, only their "
    "ratios count.",
    "crank": "With an inductive sensor the height grows with the speed; with a Hall sensor the "
    "signal has two levels.",
}
SMART_COIL = (
    "A coil with its driver inside has no terminal to measure the primary at: take its trigger "
    "line instead (role coil_trigger in the job card) and rely on the clamp."
)
CLAMP_STEP = (
    "The clamp: closed with no lead in it, zeroed, then round the feed, its arrow from the fuse on."
)
STEPS = (
    "Engine off, key out: clip on all leads as drawn, away from belts, fans and the exhaust.",
    "The reference leads of all probes on battery negative, not on the engine or the body.",
    CLAMP_STEP,
    "Attenuation of each probe set, and noted on the job card as scale.",
    "The instrument on battery; no mains charger on the vehicle.",
    "Start the engine; compare the signals with the pictures below; no top may be cut off.",
    "Record. Note speed, load and temperature; run misfire check before you unclip the leads.",
)


# Common practice of the trade for a fault that comes and goes; each with its caution.
PROVOKING = (
    (
        "Wet",
        "A fine mist of water from a hand sprayer on plug leads, coils and cap, one after the "
        "other, the engine idling. A cracked lead or cap leaks where it is wet. Caution: spray "
        "from arm's length and touch nothing wet: the spark may jump to you. No water on the "
        "instrument, the intake, hot exhaust parts or belts.",
    ),
    (
        "Wiggle",
        "Move one connector or piece of low-voltage wiring at a time, with a long dry rod that "
        "does not conduct. Caution: never move or touch plug leads and coils of a running engine; "
        "switch it off, move the lead, start again.",
    ),
    (
        "Heat and cold",
        "Warm one part with a hot-air blower (coil, driver, crank sensor), or cool it with cold "
        "spray. Caution: no open flame, fuel vapour may burn; not hotter than the hand can just "
        "bear nearby; keep off what is already hot.",
    ),
    (
        "Load",
        "Switch on lamps, heater and fan; or drive, at the load at which it is felt. Caution: a "
        "second person drives and nobody looks at the instrument while driving; leads are tied "
        "clear of fans, belts and exhaust, and where no door or bonnet cuts them.",
    ),
)
MARKING = (
    "Wait some ten seconds between tries and make at least five of each kind, the ones in which "
    "nothing happens as well. Note each at once as a mark: the time that the instrument shows, and "
    "always the same words for the same thing. On the job card: [[mark]] with time_s and text, or "
    'file = "marks.csv". The report draws the marks and says whether the lost combustions come '
    "with them or by chance."
)


def format_hookup(plan: HookupPlan) -> str:
    """Give the plan as one self-contained HTML page.

    Parameters
    ----------
    plan : HookupPlan

    Returns
    -------
    page : str
        No network, no script; all text from outside is escaped.
    """
    from markupsafe import Markup

    context = _context(plan) | {
        "style": Markup(read_part("page.css", "hookup/hookup.css")),
        "drawing": Markup(draw_connections(plan, key="connections")),
        "waves": [
            {
                "title": _title_wave(w),
                "words": WAVE_WORDS.get(w.role, ""),
                "picture": Markup(draw_expected(w, key=f"wave-{w.role}")),
            }
            for w in plan.expected
        ],
    }
    return fill_page("hookup/hookup.html.j2", context, keep_per_cent=False)


def write_hookup(
    plan: HookupPlan, folder: Path, *, replace: bool = False
) -> tuple[Path, Path, bool]:
    """Write page and job card together, so that they always belong to one plan.

    Parameters
    ----------
    plan : HookupPlan
    folder : Path
        Made when absent.
    replace : bool
        Whether another card that is there may be written over.

    Returns
    -------
    page, card : Path
    written : bool
        Whether the card was written; False where the same is there already.

    Raises
    ------
    OutputError
        If another card is there and `replace` is not given, or the folder cannot be written.
    """
    page, card = folder / "hookup.html", folder / "job.toml"
    text = plan.card.encode("utf-8")
    try:
        there = card.read_bytes() if card.exists() else None
    except OSError as error:
        raise _refuse(folder, error) from error
    if there is not None and there != text and not replace:
        raise OutputError(
            f"{card}: is there already and is not this plan's (filled in, or of another plan); "
            "choose another folder with -o, or give --replace to write page and card anew"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_whole(page, format_hookup(plan).encode("utf-8"))
        if there != text:
            write_whole(card, text)
    except OSError as error:
        raise _refuse(folder, error) from error
    return page, card, there != text


def _refuse(folder: Path, error: OSError) -> OutputError:
    """Say that a folder cannot be used."""
    reason = error.strerror or str(error)
    return OutputError(f"{folder}: cannot be written ({reason}); choose another folder with -o")


def _context(plan: HookupPlan) -> dict[str, Any]:
    """Collect what the template needs."""
    own = dict.fromkeys(x.caution for x in plan.leads if x.caution)
    has_clamp = any(x.unit == "A" for x in plan.leads)
    steps = [s for s in STEPS if has_clamp or s != CLAMP_STEP]
    if plan.engine.ignition == "coil_on_plug" and has_clamp:
        steps.insert(1, SMART_COIL)
    return {
        "vehicle": plan.vehicle,
        "engine": describe_engine(plan),
        "headline": write_headline(plan),
        "leads": [
            {
                "number": x.number,
                "title": title_lead(x),
                "where": x.where,
                "probe": x.probe,
                "attenuation": x.attenuation,
                "coupling": x.coupling,
                "range": f"±{spell(x.range_value)} {x.unit}",
                "rate": format_rate(x.least_rate_hz),
                "gives": x.gives,
            }
            for x in plan.leads
        ],
        "n_leads": len(plan.leads),
        "rate": format_rate(plan.rate_hz),
        "seconds": format_seconds(plan.chosen.seconds),
        "size": format_size(plan.chosen.megabytes),
        "cautions": (*own, *cautions()),
        "steps": steps,
        "provoking": PROVOKING,
        "marking": MARKING,
        "assumed": plan.assumed,
        "rpm": f"{spell(plan.rpm)}",
        "lengths": [
            {
                "one_in": x.one_in,
                "firings": x.firings,
                "seconds": format_seconds(x.seconds),
                "size": format_size(x.megabytes),
                "chosen": x is plan.chosen,
            }
            for x in plan.lengths
        ],
        "rates": [
            {
                "quantity": r.quantity,
                "from": format_rate(r.least_hz),
                "reached": plan.rate_hz >= r.least_hz,
                "words": say_reached(r, plan.rate_hz),
            }
            for r in _pick_rates(plan)
        ],
        "resolved": plan.resolved,
        "told": [
            {
                "cylinders": ", ".join(map(str, t.cylinders)),
                "types": ", ".join(map(name_fault, t.types)) or "none",
                "hidden": ", ".join(map(name_fault, t.hidden)) or "–",
            }
            for t in plan.told
        ],
        "card": plan.card,
    }


def _pick_rates(plan: HookupPlan) -> tuple[RateRow, ...]:
    """Pick what this plan's channels show."""
    roles = {x.role for x in plan.leads}
    return tuple(r for r in list_rates(plan.wheel) if roles.intersection(r.roles))


def say_reached(row: RateRow, rate_hz: float) -> str:
    """Say how well a rate measures a quantity.

    Parameters
    ----------
    row : RateRow
    rate_hz : float [unit=Hz]

    Returns
    -------
    words : str
    """
    return row.well if rate_hz >= row.least_hz else f"lower than wanted: {row.below}"


def describe_engine(plan: HookupPlan) -> str:
    """Describe the engine in a line."""
    engine = plan.engine
    n = engine.cylinders
    words = f"{n} cylinder{'s' if n > 1 else ''}, {IGNITION_WORDS[engine.ignition]}"
    if n > 1:
        words += ", firing order " + "-".join(map(str, engine.firing_order))
    return words


def write_headline(plan: HookupPlan) -> str:
    """Say what to do in a line."""
    n = len(plan.leads)
    words = f"{n} lead{'s' if n > 1 else ''}, {format_seconds(plan.chosen.seconds)} of recording"
    if plan.suspect:
        words += f", cylinder {plan.suspect} under suspicion"
    return words


def title_lead(lead: Lead) -> str:
    """Name a lead."""
    words = TITLES[lead.role]
    if lead.cylinders and lead.role == "coil_primary" and lead.name == "primary":
        return words
    if lead.cylinders:
        words += f", cylinder{'s' if len(lead.cylinders) > 1 else ''} "
        words += " and ".join(map(str, lead.cylinders))
    return words


def _title_wave(wave: Expected) -> str:
    """Name a waveform; the second dictionary covers what has no cylinder."""
    return TITLES.get(wave.role, wave.name)


def format_seconds(seconds: float) -> str:
    """Give a time in words.

    Examples
    --------
    >>> format_seconds(45), format_seconds(240)
    ('45 s', '4 min')
    """
    if seconds < 120:
        return f"{spell(seconds)} s"
    return f"{spell(seconds / 60)} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def format_size(megabytes: float) -> str:
    """Give a file size in words."""
    return f"{megabytes / 1000:.1f} GB" if megabytes >= 1000 else f"{megabytes:.0f} MB"


def format_hookup_text(plan: HookupPlan, *, width: int = 96) -> str:
    """Give the plan as text for the terminal.

    Parameters
    ----------
    plan : HookupPlan
    width : int
        Of a line.

    Returns
    -------
    text : str
    """

    def fold(words: str, indent: int) -> list[str]:
        gap = " " * indent
        return textwrap.wrap(
            words, width, initial_indent=gap, subsequent_indent=gap, break_on_hyphens=False
        )

    lines = [f"{plan.vehicle + ': ' if plan.vehicle else ''}{describe_engine(plan)}"]
    for assumed in plan.assumed:
        lines += fold(f"assumed: {assumed}", 2)
    lines.append("")
    for lead in plan.leads:
        lines.append(f"  input {lead.number}  {title_lead(lead)}")
        lines += fold(lead.where, 11)
        lines += fold(
            f"{lead.probe}; {lead.attenuation}; ±{spell(lead.range_value)} {lead.unit} at the tip; "
            f"{lead.coupling}; at least {format_rate(lead.least_rate_hz)}",
            11,
        )
        lines += fold(f"gives {lead.gives}", 11)
    if plan.free_inputs:
        lines.append(f"  {plan.free_inputs} input(s) stay free")
    lines += ["", *fold("reference of all probes: battery negative", 2), ""]
    lines += fold(
        f"{format_rate(plan.rate_hz)} on every input. For a fault that comes once in N firings of "
        "its cylinder, to be caught with 95 % (binomial: n >= ln 0.05 / ln(1 - 1/N)):",
        2,
    )
    for x in plan.lengths:
        mark = "*" if x is plan.chosen else " "
        lines.append(
            f"  {mark} N = {x.one_in:<6d} {x.firings:>7d} firings  "
            f"{format_seconds(x.seconds):>8s} at {spell(plan.rpm)} rev/min  "
            f"{format_size(x.megabytes):>8s}"
        )
    lines.append("")
    for row in _pick_rates(plan):
        words = f"{row.quantity} from {format_rate(row.least_hz)}: {say_reached(row, plan.rate_hz)}"
        lines += fold(words, 2)
    lines += ["", *fold(plan.resolved, 2)]
    for told in plan.told:
        lines += fold(_say_told(told), 2)
    ways = ", ".join(name.lower() for name, _ in PROVOKING)
    lines += [
        "",
        *fold(
            f"A fault that comes and goes: how to provoke it ({ways}) and mark it "
            "stands on the page, with the cautions.",
            2,
        ),
    ]
    lines += ["", "  Cautions"]
    own = dict.fromkeys(x.caution for x in plan.leads if x.caution)
    for caution in (*own, *cautions()):
        lines += fold(f"- {caution}", 2)
    return "\n".join(lines)


def _say_told(told: Told) -> str:
    """Say what will be told of some cylinders."""
    names = list(map(str, told.cylinders))
    who = f"cylinder{'s' * (len(names) != 1)} {join_words(names)}"
    words = f"{who}: these can be told apart: {', '.join(map(name_fault, told.types)) or 'none'}"
    if told.hidden:
        words += f"; these cannot: {', '.join(map(name_fault, told.hidden))}"
    return words
