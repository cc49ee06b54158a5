"""The drawing of the connections: engine above, instrument below, one numbered lead an input."""

from __future__ import annotations

import math
from dataclasses import dataclass

from misfire.records import Engine
from misfire.report.hookup.plan import HookupPlan, Lead
from misfire.report.pictures import svg

WIDTH = 760.0
FEED_Y = 34.0
COIL_TOP, COIL_LOW = 62.0, 96.0
PLUG_TOP, PLUG_LOW = 126.0, 158.0
NAME_Y = 176.0
LABEL_Y, LABEL_ROW = NAME_Y + 17, 20.0
BUS = 14.0
PICKUP_ASIDE = 20.0
BATTERY_X, WHEEL_R = 24.0, 44.0


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a lead ends: the place, and from which side it comes."""

    x: float
    y: float
    from_above: bool = False


def draw_connections(plan: HookupPlan, *, key: str) -> str:
    """Draw what goes where.

    Parameters
    ----------
    plan : HookupPlan
    key : str
        Unique in the page.

    Returns
    -------
    picture : str
        One `svg` element, 760 units wide.
    """
    engine = plan.engine
    centres = _place_cylinders(engine)
    coils = _place_coils(engine, centres)
    labels = _place_labels(plan, centres, coils)
    first_bus = max([LABEL_Y, *labels.values()]) + 20.0
    low = first_bus + BUS * len(plan.leads) + 18.0
    height = low + 128.0
    body: list[str] = []
    body += _draw_feed(coils, low)
    body += _draw_coils(engine, centres, coils)
    body += _draw_battery(low)
    body += _draw_wheel(plan, low)
    cam = any(lead.role == "cam" for lead in plan.leads)
    if cam:
        body.append(svg.rect(566, low + 76, 46, 24, css="part-box"))
        body.append(svg.text(589, low + 92, "cam", css="name", anchor="middle"))
    body += _draw_instrument(plan, low)
    spots = [_find_spot(lead, engine, centres, coils, low) for lead in plan.leads]
    inputs = _place_inputs(len(plan.leads) + plan.free_inputs)
    above: list[str] = []
    for i, (lead, spot) in enumerate(zip(plan.leads, spots, strict=True)):
        bus = first_bus + BUS * i
        line, label = _draw_lead(lead, spot, inputs[i], bus, low, labels.get(lead.number))
        body += line
        above += label
    body += above  # no lead runs over a word
    title = f"Connections: {len(plan.leads)} leads to an engine of {engine.cylinders} cylinders"
    return svg.picture(body, width=WIDTH, height=height, key=key, title=title, css="hookup")


def _place_cylinders(engine: Engine) -> dict[int, float]:
    """Give the middle of each cylinder's plug, in the order of their numbers."""
    n = engine.cylinders
    left, right = 150.0, 730.0
    step = min(120.0, (right - left) / n)
    first = (left + right - step * (n - 1)) / 2
    return {c: first + step * i for i, c in enumerate(sorted(engine.firing_order))}


def _place_coils(engine: Engine, centres: dict[int, float]) -> dict[tuple[int, ...], float]:
    """Give the middle of each coil."""
    if engine.ignition == "distributor":
        everyone = tuple(sorted(centres))
        return {everyone: sum(centres.values()) / len(centres)}
    if engine.ignition == "wasted_spark" and engine.waste_pairs:
        paired = {c for pair in engine.waste_pairs for c in pair}
        groups = [tuple(sorted(p)) for p in engine.waste_pairs]
        groups += [(c,) for c in centres if c not in paired]
        row = sorted(groups, key=lambda g: sum(centres[c] for c in g) / len(g))
        places = sorted(centres.values())
        span = (places[-1] - places[0]) / len(row) if len(row) > 1 else 0.0
        middle = (places[-1] + places[0]) / 2
        first = middle - span * (len(row) - 1) / 2
        return {g: first + span * i for i, g in enumerate(row)}
    return {(c,): x for c, x in centres.items()}


def _draw_feed(coils: dict[tuple[int, ...], float], low: float) -> list[str]:
    """Draw the feed from battery positive to all coils."""
    last = max(coils.values()) + 10
    body = [
        f'<path class="wire" d="M{BATTERY_X + 16:.1f} {low + 30:.1f}V{FEED_Y:.1f}H{last:.1f}"/>',
        svg.rect(66, FEED_Y - 6, 22, 12, css="part-box"),
        svg.text(77, FEED_Y - 11, "fuse", anchor="middle"),
        svg.text(106, FEED_Y - 11, "feed of the coils"),
    ]
    body += [svg.line(x + 10, FEED_Y, x + 10, COIL_TOP, css="wire") for x in coils.values()]
    return body


def _draw_coils(
    engine: Engine, centres: dict[int, float], coils: dict[tuple[int, ...], float]
) -> list[str]:
    """Draw coils, plug leads and plugs with the cylinders' numbers."""
    body = []
    shared = any(len(group) > 1 for group in coils)
    for group, x in coils.items():
        half = 19.0 if not shared else 26.0
        body.append(svg.rect(x - half, COIL_TOP, 2 * half, COIL_LOW - COIL_TOP, css="part-box"))
        body.append(svg.text(x, COIL_TOP + 21, "coil", anchor="middle"))
        body.append(f'<circle class="terminal" cx="{x - 10:.1f}" cy="{COIL_LOW:.1f}" r="3"/>')
        for c in group:
            body.append(
                f'<path class="high" d="M{x + 8:.1f} {COIL_LOW:.1f}V{COIL_LOW + 8:.1f}'
                f'L{centres[c] + 8:.1f} {PLUG_TOP - 6:.1f}V{PLUG_TOP:.1f}"/>'
            )
    if engine.ignition == "distributor":
        x = next(iter(coils.values()))
        body.append(svg.text(x + 34, COIL_LOW + 2, "distributor, cap and rotor"))
    for c, x in centres.items():
        px = x + 8
        body.append(svg.rect(px - 5, PLUG_TOP, 10, 16, css="part-box"))
        body.append(
            f'<path class="plug" d="M{px:.1f} {PLUG_TOP + 16:.1f}V{PLUG_LOW - 7:.1f}'
            f"M{px - 6:.1f} {PLUG_LOW:.1f}H{px + 1:.1f}"
            f'M{px - 6:.1f} {PLUG_LOW:.1f}V{PLUG_TOP + 16:.1f}"/>'
        )
        body.append(svg.text(px, NAME_Y, str(c), css="name", anchor="middle"))
    body.append(svg.text(min(centres.values()) - 26, NAME_Y, "cylinder", anchor="end"))
    return body


def _draw_battery(low: float) -> list[str]:
    """Draw the battery and the reference lead to its negative terminal."""
    y = low + 36
    return [
        svg.rect(BATTERY_X, y, 112, 44, css="part-box"),
        svg.rect(BATTERY_X + 10, y - 6, 12, 6, css="part-box"),
        svg.rect(BATTERY_X + 90, y - 6, 12, 6, css="part-box"),
        svg.text(BATTERY_X + 16, y + 16, "+", css="name", anchor="middle"),
        svg.text(BATTERY_X + 96, y + 16, "−", css="name", anchor="middle"),
        svg.text(BATTERY_X + 56, y + 34, "battery", anchor="middle"),
        f'<path class="earth" d="M196 {low + 62:.1f}H{BATTERY_X + 144:.1f}V{low + 18:.1f}'
        f'H{BATTERY_X + 96:.1f}V{y - 6:.1f}"/>',
        svg.text(BATTERY_X, low + 112, "reference of all probes: battery negative", css="part"),
    ]


def _draw_wheel(plan: HookupPlan, low: float) -> list[str]:
    """Draw the crank wheel with its teeth, and the sensor."""
    cx, cy = 694.0, low + 66.0
    wheel = plan.wheel
    positions = wheel.positions if wheel is not None else 60
    gaps = wheel.gaps if wheel is not None else ((59, 60),)
    missing = {p for gap in gaps for p in gap}
    shown, step = positions, 1
    if positions > 72:
        shown, step = 60, max(1, positions // 60)
    marks = []
    for i in range(shown):
        if i * step + 1 in missing:
            continue
        # the gap stands a little before the sensor, which is on the left
        turn = math.pi + 2 * math.pi * (i + 0.5) / shown + 1.0
        a, b = WHEEL_R - 5, WHEEL_R + 3
        marks.append(
            f"M{cx + a * math.cos(turn):.1f} {cy + a * math.sin(turn):.1f}"
            f"L{cx + b * math.cos(turn):.1f} {cy + b * math.sin(turn):.1f}"
        )
    width = min(3.2, 2 * math.pi * WHEEL_R / shown * 0.55)
    return [
        f'<circle class="part-ring" cx="{cx:.1f}" cy="{cy:.1f}" r="{WHEEL_R - 5:.1f}"/>',
        f'<path class="teeth" style="stroke-width:{width:.1f}" d="{"".join(marks)}"/>',
        svg.text(cx, cy + 4, "crank", anchor="middle"),
        svg.rect(cx - WHEEL_R - 28, cy - 9, 24, 18, css="part-box"),
        svg.text(WIDTH - 4, low + 126, "crank wheel and sensor", anchor="end"),
    ]


def _place_inputs(n: int) -> list[float]:
    """Give the places of the instrument's inputs."""
    left, right = 222.0, 538.0
    step = (right - left) / max(1, n)
    return [left + step * (i + 0.5) for i in range(n)]


def _draw_instrument(plan: HookupPlan, low: float) -> list[str]:
    """Draw the instrument with its inputs."""
    n = len(plan.leads) + plan.free_inputs
    body = [
        svg.rect(196, low + 26, 368, 64 if not any(x.role == "cam" for x in plan.leads) else 42,
                 css="instrument"),
        svg.text(380, low + 60, "instrument, on battery or isolated from mains", anchor="middle"),
    ]  # fmt: skip
    for i, x in enumerate(_place_inputs(n)):
        used = i < len(plan.leads)
        body.append(_number(x, low + 30, str(i + 1), used=used))
        if not used:
            body.append(svg.text(x, low + 16, "free", anchor="middle"))
    return body


def _number(x: float, y: float, words: str, *, used: bool = True) -> str:
    """Draw a number in a disc."""
    kind = "disc" if used else "disc unused"
    return f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="9"/>' + svg.text(
        x, y + 4, words, css="disc-words" if used else "", anchor="middle"
    )


def _find_spot(
    lead: Lead,
    engine: Engine,
    centres: dict[int, float],
    coils: dict[tuple[int, ...], float],
    low: float,
) -> Spot:
    """Find where a lead ends."""
    match lead.role:
        case "coil_primary":
            for group, x in coils.items():
                if set(lead.cylinders) & set(group):
                    return Spot(x - 10, COIL_LOW)
        case "coil_current":
            return Spot(118, FEED_Y)
        case "coil_secondary":
            return Spot(centres[lead.cylinders[0]] + 8, PLUG_TOP - 4)
        case "crank":
            return Spot(694.0 - WHEEL_R - 16, low + 57, from_above=True)
        case "cam":
            return Spot(589, low + 76, from_above=True)
        case "starter_current":
            return Spot(BATTERY_X + 68, low + 36, from_above=True)
        case "battery_voltage":
            return Spot(BATTERY_X + 20, low + 30, from_above=True)
    return Spot(min(centres.values()), NAME_Y + 8)


def _label_span(lead: Lead, x: float) -> tuple[float, float]:
    """Give the left and right end of a probe with its number."""
    width = 7.0 * len(lead.short) + 8
    return x - width / 2 - 22, x + width / 2


def _place_labels(
    plan: HookupPlan, centres: dict[int, float], coils: dict[tuple[int, ...], float]
) -> dict[int, float]:
    """Put the probes below the cylinders in as many rows as keep them apart: number -> height."""
    below = []
    for lead in plan.leads:
        if lead.role in ("coil_primary", "coil_secondary"):
            spot = _find_spot(lead, plan.engine, centres, coils, 0.0)
            x = spot.x + (PICKUP_ASIDE if lead.role == "coil_secondary" else 0)
            below.append((_label_span(lead, x), lead.number))
    ends: list[float] = []
    placed = {}
    for (left, right), number in sorted(below):
        row = next((i for i, end in enumerate(ends) if end + 4 < left), len(ends))
        if row == len(ends):
            ends.append(right)
        ends[row] = right
        placed[number] = LABEL_Y + LABEL_ROW * row
    return placed


def _draw_lead(
    lead: Lead, spot: Spot, start_x: float, bus: float, low: float, label_y: float | None
) -> tuple[list[str], list[str]]:
    """Draw one lead; apart from it, its number and probe at the far end."""
    x = spot.x + (PICKUP_ASIDE if lead.role == "coil_secondary" else 0)
    path = f"M{start_x:.1f} {low + 21:.1f}V{bus:.1f}H{x:.1f}V{spot.y:.1f}"
    if lead.role == "coil_secondary":
        path += f"H{spot.x + 4:.1f}"
    body = [f'<path class="lead" d="{path}"/>']
    if lead.role in ("coil_current", "starter_current"):
        body.append(f'<circle class="ring" cx="{spot.x:.1f}" cy="{spot.y:.1f}" r="8"/>')
    elif lead.role == "coil_secondary":
        body.append(f'<circle class="ring" cx="{spot.x:.1f}" cy="{spot.y:.1f}" r="5"/>')
    else:
        body.append(f'<circle class="tip" cx="{spot.x:.1f}" cy="{spot.y:.1f}" r="3.4"/>')
    # the probe sits on the last stretch, its number beside it
    y = spot.y - 20 if label_y is None else label_y
    if lead.role == "coil_current":
        y = (spot.y + LABEL_Y) / 2
    elif lead.role == "battery_voltage":
        y = spot.y - 36
    left, right = _label_span(lead, x)
    label = [
        svg.rect(left + 22, y - 8, right - left - 22, 16, css="probe"),
        svg.text(x, y + 4, lead.short, css="part", anchor="middle"),
        _number(left + 11, y, str(lead.number)),
    ]
    return body, label
