"""The reliability picture of a model: what it said against what happened, as one SVG file."""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence

from misfire.report.pictures.svg import make_scale

SIZE = 420  # picture units, square
MARGIN = 56


def draw_reliability(
    rows: Sequence[Mapping[str, float]], *, title: str, of: str = "cylinders"
) -> str:
    """Draw the bins of a reliability table with their intervals, and the line of perfect honesty.

    Parameters
    ----------
    rows : sequence of mappings
        `said`, `happened`, `low`, `high` (0..1) and `n` of each bin.
    title : str
    of : str
        What `n` counts.

    Returns
    -------
    svg : str
        A whole SVG document.
    """
    x = make_scale(0.0, 1.0, MARGIN, SIZE - 16)
    y = make_scale(0.0, 1.0, SIZE - MARGIN, 40)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {SIZE} {SIZE}" width="{SIZE}" '
        f'height="{SIZE}" role="img" aria-label="{html.escape(title, quote=True)}" '
        'font-family="sans-serif" font-size="12">',
        f'<rect width="{SIZE}" height="{SIZE}" fill="#fff"/>',
        f'<text x="{MARGIN}" y="24" font-size="14">{html.escape(title)}</text>',
    ]
    for tick in (0.0, 0.2, 0.4, 0.6, 0.8, 1.0):
        across, up = x.at(tick), y.at(tick)
        parts += [
            f'<path d="M{across:.1f} {y.at(0):.1f}V{y.at(1):.1f}M{x.at(0):.1f} {up:.1f}'
            f'H{x.at(1):.1f}" stroke="#ddd" fill="none"/>',
            f'<text x="{across:.1f}" y="{y.at(0) + 16:.1f}" text-anchor="middle">{tick:g}</text>',
            f'<text x="{x.at(0) - 8:.1f}" y="{up + 4:.1f}" text-anchor="end">{tick:g}</text>',
        ]
    parts.append(
        f'<path d="M{x.at(0):.1f} {y.at(0):.1f}L{x.at(1):.1f} {y.at(1):.1f}" stroke="#777" '
        'stroke-dasharray="4 4" fill="none"/>'
    )
    most = max((row["n"] for row in rows), default=1)
    for row in rows:
        across = x.at(row["said"])
        radius = 2.5 + 5.0 * (row["n"] / most) ** 0.5
        words = (
            f"said {row['said']:.2f}, happened {row['happened']:.2f} "
            f"({row['low']:.2f} to {row['high']:.2f}), {row['n']:.0f} {of}"
        )
        parts += [
            f'<path d="M{across:.1f} {y.at(row["low"]):.1f}V{y.at(row["high"]):.1f}" '
            'stroke="#222" fill="none"/>',
            f'<circle cx="{across:.1f}" cy="{y.at(row["happened"]):.1f}" r="{radius:.1f}" '
            f'fill="#222"><title>{words}</title></circle>',
        ]
    middle = 0.5 * (x.at(0) + x.at(1))
    parts += [
        f'<text x="{middle:.1f}" y="{SIZE - 14}" text-anchor="middle">probability said</text>',
        f'<text transform="translate(16 {y.at(0.5):.1f}) rotate(-90)" text-anchor="middle">'
        "share that was so (95 % interval)</text>",
        "</svg>",
    ]
    return "\n".join(parts) + "\n"
