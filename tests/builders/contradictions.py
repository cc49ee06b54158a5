"""Finds sentences of one diagnosis that contradict one another: verdict, counts, kinds, odds."""

from __future__ import annotations

import html
import re
from typing import Any

FAULTY = 0.5  # the contract: more likely faulty than not
DOUBTFUL = 0.3  # above it a cylinder is not called sound
SURE_KIND = 0.66  # from here on the page calls a kind likely
SPARK_KINDS = ("open_secondary", "fouled_plug", "weak_coil", "no_primary")
BAD_SPARKS = ("starved", "no_breakdown", "leaking", "strained")
WORK_KINDS = ("mixture", "low_compression")
NONE_LOST = r"no lost combustion|and there was none|\bNone of [\d\u202f]+ combustions"
# What is said of faults too rare to have been met; the numbers must be one number.
RAREST = r"(?:rarer than one|fewer than 1|rarer than 1) in ([\d\u202f]+)"


def read_text(page: str) -> str:
    """Give the words of a page, without script, style and tags."""
    bare = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.DOTALL)
    bare = re.sub(r"<[^>]+>", " ", bare)
    return re.sub(r"\s+", " ", html.unescape(bare))


def find_contradictions(result: dict[str, Any], *texts: str) -> list[str]:
    """List what a reader of one diagnosis would see contradicted.

    Parameters
    ----------
    result : dict
        The document of result.json.
    texts : str
        What people read of the same diagnosis: the words of the page, the console's.

    Returns
    -------
    contradictions : list of str
        Empty where there are none.
    """
    said = " ".join((*result["notes"], *(q["message"] for q in result["quality"]), *texts))
    return [
        *_check_verdict(result),
        *_check_rivals(result),
        *_check_counts(result, said),
        *_check_kinds(result),
        *_check_ailing(result),
        *_check_witnesses(result, *texts),
    ]


def _check_rivals(result: dict[str, Any]) -> list[str]:
    """What was weighed and found unlikely is not told as if it were so."""
    return [
        f"told as a fact at log odds of {r['log_odds']:.1f}: {r['text']}"
        for r in result["reasons"]
        if r["about"] in ("engine", "sensor", "hook-up")
        and r["log_odds"] < 0.0
        and r["text"] not in result["notes"]
        and not r["text"].startswith("unlikely here: ")
    ]


def _check_verdict(result: dict[str, Any]) -> list[str]:
    """Set the verdict against the probabilities and states."""
    verdict, cylinders = result["verdict"], result["cylinders"]
    top = max(c["probability"] for c in cylinders)
    shared = any("share the probability" in r["text"] for r in result["reasons"])
    together = sum(sorted((c["probability"] for c in cylinders), reverse=True)[:2])
    found = []
    if verdict != "misfire" and top >= FAULTY:
        found.append(f"{verdict}, and a cylinder with probability {top:.2f}")
    if verdict == "misfire" and top < FAULTY and not (shared and together >= FAULTY):
        found.append(f"misfire, and no cylinder above {top:.2f}")
    for c in cylinders:
        number, p = c["cylinder"], c["probability"]
        if (c["state"] == "failing") != (verdict == "misfire" and p >= FAULTY) and not shared:
            found.append(f"cylinder {number} is {c['state']} with probability {p:.2f}, {verdict}")
        if c["state"] == "sound" and p > DOUBTFUL:
            found.append(f"cylinder {number} is sound with probability {p:.2f}")
    if [c["probability"] for c in cylinders] != sorted(
        (c["probability"] for c in cylinders), reverse=True
    ):
        found.append("the ranking is not that of the probabilities")
    for note in result["notes"]:
        pair = re.match(r"cylinder (\d+) or cylinder (\d+):.*is shared", note)
        if pair:
            both = [c["probability"] for c in cylinders if str(c["cylinder"]) in pair.groups()]
            if sum(both) > 1.1 or max(both) - min(both) > 0.05:
                found.append(f"a shared probability that is {both}")
    return found


def _check_counts(result: dict[str, Any], said: str) -> list[str]:
    """Set what is said of none lost, and of faults too rare to be met, against the counts."""
    lost = sum(c["misfires"] for c in result["cylinders"])
    found = []
    if lost and (words := re.search(NONE_LOST, said)):
        found.append(f"{words[0]!r} above {lost} judged lost")
    odds = {re.sub(r"\D", "", n) for n in re.findall(RAREST, said)}
    if len(odds) > 1:
        found.append(f"the rarest fault that would have shown is one in {sorted(odds)}")
    if odds and lost:
        found.append(f"the odds of a missed fault (one in {sorted(odds)}) beside {lost} lost")
    return found


def _count(pattern: str, sentences: list[str]) -> int:
    """Give the number that a sentence of the evidence names; 0 where there is none."""
    hits = [m for s in sentences if (m := re.search(pattern, s))]
    return int(hits[0][1]) if hits else 0


def _check_kinds(result: dict[str, Any]) -> list[str]:
    """Set the likeliest kind of fault against the evidence that stands under it."""
    found = []
    for c in result["cylinders"]:
        if c["probability"] < FAULTY or not c["faults"]:
            continue
        kind, share = c["faults"][0]["type"], c["faults"][0]["probability"]
        if share < SURE_KIND:
            continue
        evidence, lost = c["evidence"], max(c["misfires"], 1)
        dark = _count(r"no spark line after (\d+) switch-offs?", evidence)
        dead = _count(r"not switched at all in (\d+) firings?", evidence)
        idle = _count(r"injector failed in (\d+) of", evidence)
        where = f"cylinder {c['cylinder']}: {kind} ({share:.2f}) above"
        if kind in WORK_KINDS and 2 * dark > lost:
            found.append(f"{where} no spark line in {dark} of {lost} lost")
        if kind != "no_primary" and 2 * dead > lost:
            found.append(f"{where} not switched in {dead} of {lost} lost")
        if kind == "no_primary" and not dead:
            found.append(f"{where} evidence without a coil that is not switched")
        if kind != "mixture" and 2 * idle > lost:
            found.append(f"{where} an injector that failed in {idle} of {lost} lost")
        table = c["table"]
        kinds_of_lost = {s: row.get("lost", 0) for s, row in table.items()}
        usual = kinds_of_lost.get("usual", 0)
        if kind in ("open_secondary", "fouled_plug", "weak_coil") and usual > 0.8 * lost >= 2.4:
            found.append(f"{where} {usual} of {lost} lost with a usual spark")
    return found


def _check_ailing(result: dict[str, Any]) -> list[str]:
    """Set `ailing_spark` against the state and the table of the cylinder it speaks of."""
    found = []
    of = {str(c["cylinder"]): c for c in result["cylinders"]}
    for q in result["quality"]:
        named = re.match(r"cylinder (\d+) has a bad spark", q["message"])
        if q["code"] != "ailing_spark" or not named:
            continue
        c = of[named[1]]
        lost = sum(row.get("lost", 0) for s, row in c["table"].items() if s in BAD_SPARKS)
        if "none of these was lost" in q["message"] and lost:
            found.append(f"cylinder {named[1]} lost none by its sparks, and {lost} lost")
        if c["state"] != "ailing":
            found.append(f"cylinder {named[1]} has a bad spark, and is {c['state']}")
    return found


def _check_witnesses(result: dict[str, Any], *texts: str) -> list[str]:
    """Set the kind named first against what the spark's witness says on the page."""
    first = result["cylinders"][0]
    if result["verdict"] != "misfire" or not first["faults"]:
        return []
    kind, share = first["faults"][0]["type"], first["faults"][0]["probability"]
    found = []
    for text in texts:
        words = re.search(
            rf"Cylinder {first['cylinder']}\. Measured Result Values Spark "
            r"(points to a fault|as usual|not recorded)",
            text,
        )
        if not words or share < SURE_KIND:
            continue
        if kind in SPARK_KINDS and words[1] == "as usual":
            found.append(f"{kind} ({share:.2f}), and the spark is as usual")
        if kind in WORK_KINDS and words[1] == "points to a fault":
            found.append(f"{kind} ({share:.2f}), and the spark points to a fault")
    return found
