"""The page of a comparison: was the fault cured, on what evidence, and what is still missing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from misfire.report.advice import cautions
from misfire.report.comparison.pictures import draw_feature, draw_rates
from misfire.report.comparison.wording import (
    format_points,
    format_points_range,
    format_word,
    write_needed,
    write_speed,
)
from misfire.report.frame import fill_page, read_part
from misfire.report.wording import (
    QUANTITIES,
    begin_sentence,
    format_count,
    format_duration,
    format_percent,
    format_percent_range,
    format_value,
    name_fault,
)

MEANING = {
    "cured": "The fault that was there before would have shown again, and did not.",
    "improved": "There is less of it than before, but it is not proven to be gone.",
    "worse": "There is more of it than before, or another cylinder fails now.",
    "unchanged": "Nothing changed beyond chance.",
    "not_settled": "These two recordings cannot tell whether it is gone.",
    "not_comparable": "The two recordings were not made under the same conditions.",
}
RULES = {
    "cured": (
        "The recording made after the repair is long enough to have shown the fault as it was "
        "before (exact test, 2.5\u00a0% risk; losses that come in bouts count as bouts). The "
        "cylinder loses no combustion in it, no more firings show the fault than in the other "
        "cylinders, and it is not under suspicion. Where it failed mostly, its torque is no "
        "longer below theirs, and single losses are set against what sound cylinders have by "
        "chance. A fault that comes more rarely than before can still be there."
    ),
    "improved": (
        "At least 40\u00a0% fewer firings show the fault, beyond chance; or hardly any, but one of "
        "the other conditions for a cure is missing."
    ),
    "worse": (
        "At least half as many again show it, beyond chance; or a cylinder is accused now "
        "that showed less before."
    ),
    "unchanged": (
        "The fault is there in both recordings, or in neither, with no difference beyond chance."
    ),
    "not_settled": (
        "The recordings cannot tell, most often because the second is too short. It is said "
        "how many more cycles would do."
    ),
    "not_comparable": (
        "Another engine or other channels; or the speeds at which the fault came before were "
        "not driven again; or not the speed changes, and the fault did not show again."
    ),
}
WITHIN_CHANCE = "within chance"
SIGNS = {
    "lost": "combustion lost",
    "weak": "too little work, or none",
    "spark": "bad spark",
}


def format_comparison_page(document: Mapping[str, Any]) -> str:
    """Give a comparison as one self-contained HTML page.

    Parameters
    ----------
    document : mapping
        From `compare`.

    Returns
    -------
    page : str
        No script, no network request, no clock time. All text from outside is escaped.
    """
    from markupsafe import Markup

    style = Markup(read_part("page.css", "comparison/comparison.css"))
    return fill_page("comparison/comparison.html.j2", _context(document) | {"style": style})


def _context(document: Mapping[str, Any]) -> dict[str, Any]:
    """Collect all the template needs."""
    from markupsafe import Markup

    cylinders = document["cylinders"]
    marked = [c for c in cylinders if c["suspect"] or c["new_fault"]]
    marked = [c for c in marked if not c["pair"] or c["cylinder"] == c["pair"][0]]
    pictures = [draw_feature(cylinders, q, key=f"feature-{q.column}") for q in QUANTITIES]
    before, after = document["before"], document["after"]
    said = {document["verdict"], *(c["verdict"] for c in marked)}
    return {
        "vehicle": after["vehicle"] or before["vehicle"],
        "headline": document["headline"],
        "css": document["verdict"],
        "meaning": MEANING[document["verdict"]],
        "warnings": document["warnings"],
        "reasons": document["reasons"],
        "needed": write_needed(document),
        "rates": [
            Markup(picture)
            for width, css in ((720, "wide"), (380, "narrow"))
            if (picture := draw_rates(cylinders, width=width, key=f"rates-{css}", css=css))
        ],
        "rows": [_rate_row(c) for c in cylinders],
        "suspects": [_suspect(c) for c in marked],
        "pictures": [Markup(p) for p in pictures if p],
        "features": [row for c in cylinders for row in _feature_rows(c)],
        "sides": [_side_row("before", before), _side_row("after", after)],
        "notes": document["notes"],
        "rules": [(begin_sentence(format_word(w)), RULES[w]) for w in RULES if w in said],
        "paired": any(c["pair"] for c in cylinders),
        "estimated": before["kv_estimated"] or after["kv_estimated"],
        "cautions": cautions(),
        "version": document["tool_version"],
    }


def _rate_row(entry: Mapping[str, Any]) -> dict[str, Any]:
    """Give one row of the table of rates."""
    change = entry["rate_change"]
    return {
        "cylinder": entry["cylinder"],
        "marked": entry["suspect"] or entry["new_fault"],
        "who": "suspect before" if entry["suspect"] else "new" if entry["new_fault"] else "",
        "with": next((c for c in entry["pair"] or () if c != entry["cylinder"]), ""),
        "before": _rate(entry["before"]),
        "after": _rate(entry["after"]),
        "change": format_points(change["value"]),
        "range": format_points_range(change["low"], change["high"]),
        "word": format_word(entry["verdict"]),
    }


def _rate(part: Mapping[str, Any]) -> dict[str, str]:
    """Write a share with its interval."""
    if not part["judged"]:
        return {"count": "not judged", "share": "", "probability": ""}
    return {
        "count": f"{part['lost']} / {format_count(part['judged'])}",
        "share": f"{format_percent(part['rate'])} "
        f"({format_percent_range(part['low'], part['high'])})",
        "probability": format_percent(part["probability"]),
    }


def _suspect(entry: Mapping[str, Any]) -> dict[str, Any]:
    """Give the reasoning about one cylinder."""
    return {
        "title": f"Cylinder {' or '.join(map(str, entry['pair'] or [entry['cylinder']]))}: "
        f"{format_word(entry['verdict'])}"
        + (", not proven" if entry["verdict"] == "improved" and not entry["settled"] else ""),
        "fault": name_fault(entry["fault"]) if entry["fault"] else "",
        "signs": [_sign_row(sign) for sign in entry["signs"]],
    }


def _sign_row(sign: Mapping[str, Any]) -> dict[str, str]:
    """Give one row of the table of what firings showed: the cylinder's, and all others'."""
    row = {"name": SIGNS[sign["sign"]]}
    for side in ("before", "after"):
        for whose in ("", "others_"):
            n, judged = sign[side][f"{whose}bearing"], sign[side][f"{whose}judged"]
            row[whose + side] = f"{n} / {format_count(judged)}" if judged else "–"
    return row


def _feature_rows(entry: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Give the rows of the table of measured quantities."""
    rows = []
    for quantity in QUANTITIES:
        found = next((f for f in entry["features"] if f["quantity"] == quantity.column), None)
        if found is None:
            continue
        d = quantity.decimals
        zero = found["low"] <= 0 <= found["high"]
        is_marked = entry["suspect"] or entry["new_fault"]
        remark = _remark(found, zero=zero)
        if remark == WITHIN_CHANCE and not is_marked:
            continue
        rows.append(
            {
                "cylinder": entry["cylinder"],
                "marked": is_marked,
                "label": quantity.label,
                "unit": quantity.unit,
                "before": format_value(found["before"], d),
                "after": format_value(found["after"], d),
                "change": format_value(found["change"], d),
                "range": f"{format_value(found['low'], d)} to {format_value(found['high'], d)}",
                "remark": remark,
            }
        )
    return rows


def _remark(feature: Mapping[str, Any], *, zero: bool) -> str:
    """Say whether the change is more than chance, and how it stands to the other cylinders."""
    parts = [WITHIN_CHANCE] if zero else []
    if feature["was_off"]:
        parts.append("differed from the other cylinders before")
        parts.append("still does" if feature["is_off"] else "no longer does")
    elif feature["is_off"]:
        parts.append("differs from the other cylinders now")
    return ", ".join(parts)


def _side_row(name: str, side: Mapping[str, Any]) -> dict[str, str]:
    """Give the facts of one recording."""
    return {
        "name": name,
        "vehicle": side["vehicle"],
        "source": side["source"],
        "sha256": (side["source_sha256"] or "")[:16],
        "verdict": format_word(side["verdict"]),
        "length": f"{format_duration(side['duration_s'])}, {format_count(side['cycles'])} cycles",
        "speed": write_speed(side),
    }
