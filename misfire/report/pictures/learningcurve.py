"""What more cases would bring, as one SVG file: a panel for each figure against their number."""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from typing import Any

from misfire.report.pictures.svg import find_ticks, format_tick, make_scale

WIDTH, HEIGHT, MARGIN = 460, 200, 56  # picture units, of each panel


def draw_curve(points: Sequence[Mapping[str, Any]], titles: Mapping[str, str]) -> str:
    """Draw each figure against the cases learned from, with the extremes over the splits.

    Parameters
    ----------
    points : sequence of mappings
        `figure`, `cases`, `mean`, `low`, `high`, `splits`.
    titles : mapping figure -> str
        Of the panels, in order.

    Returns
    -------
    svg : str
        A whole SVG document.
    """
    names = [name for name in titles if any(p["figure"] == name for p in points)]
    height = 30 + HEIGHT * len(names)
    title = "What more confirmed cases would bring"
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" '
        f'height="{height}" role="img" aria-label="{title}" font-family="sans-serif" '
        'font-size="12">',
        f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>',
        f'<text x="{MARGIN}" y="20" font-size="14">{title}</text>',
    ]
    for row, name in enumerate(names):
        parts += _draw_panel(
            [p for p in points if p["figure"] == name], titles[name], 30.0 + HEIGHT * row
        )
    return "\n".join([*parts, "</svg>"]) + "\n"


def _draw_panel(points: Sequence[Mapping[str, Any]], title: str, top: float) -> list[str]:
    """Draw one figure."""
    most = max(p["cases"] for p in points)
    low, high = min(p["low"] for p in points), max(p["high"] for p in points)
    room = 0.1 * (high - low) or 0.1
    x = make_scale(0.0, float(most), MARGIN, WIDTH - 20)
    y = make_scale(low - room, high + room, top + HEIGHT - 44, top + 24)
    parts = [f'<text x="{MARGIN}" y="{top + 14:.1f}">{html.escape(title)}</text>']
    for tick in find_ticks(y.low, y.high, count=4):
        parts += [
            f'<path d="M{x.at(0):.1f} {y.at(tick):.1f}H{x.at(most):.1f}" stroke="#ddd"/>',
            f'<text x="{MARGIN - 8}" y="{y.at(tick) + 4:.1f}" text-anchor="end">'
            f"{format_tick(tick)}</text>",
        ]
    path = "L".join(f"{x.at(p['cases']):.1f} {y.at(p['mean']):.1f}" for p in points)
    parts.append(f'<path d="M{path}" stroke="#222" fill="none"/>')
    for p in points:
        across, up = x.at(p["cases"]), y.at(p["mean"])
        span = f"{p['low']:.3f} to {p['high']:.3f}, {p['splits']} splits"
        parts += [
            f'<path d="M{across:.1f} {y.at(p["low"]):.1f}V{y.at(p["high"]):.1f}" stroke="#222"/>',
            f'<circle cx="{across:.1f}" cy="{up:.1f}" r="4" fill="#222">'
            f"<title>{p['cases']} cases: {p['mean']:.3f} ({span})</title></circle>",
            f'<text x="{across:.1f}" y="{top + HEIGHT - 28:.1f}" text-anchor="middle">'
            f"{p['cases']}</text>",
        ]
    parts.append(
        f'<text x="{0.5 * (x.at(0) + x.at(most)):.1f}" y="{top + HEIGHT - 12:.1f}" '
        'text-anchor="middle">confirmed cases learned from</text>'
    )
    return parts
