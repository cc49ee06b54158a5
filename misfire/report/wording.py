"""Words of the reports: certainty, faults, measured quantities, numbers, glossary."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from misfire.limits import FAULTY
from misfire.records import CylinderResult, Diagnosis

# Two cylinders that share one fault have one probability between them; two that both fail have two.
ONE_FAULT, SURELY_TWO = 1.1, 1.5
LOST = 0.5  # a firing with at least this probability is counted as lost

# Plain name, and what it means to somebody who drives the car.
FAULTS: dict[str, tuple[str, str]] = {
    "open_secondary": (
        "open or high-resistance secondary circuit",
        "the spark has too far to jump: a plug gap worn wide, a plug lead or boot that is loose or "
        "broken inside",
    ),
    "fouled_plug": (
        "fouled plug or tracked secondary",
        "the spark leaks away past the plug gap: dirt or oil on the plug, or a burnt track on "
        "its insulator or boot",
    ),
    "weak_coil": (
        "weak ignition coil or low coil feed",
        "the coil does not store enough energy: damaged windings or too little voltage at the coil",
    ),
    "no_primary": (
        "coil not switched",
        "the coil is not being switched at all: wiring, connector, trigger or driver",
    ),
    "mixture": (
        "mixture fault with a healthy spark",
        "the spark is there but the fuel does not burn: injector, fuel supply or an air leak",
    ),
    "low_compression": (
        "low compression",
        "the cylinder does not seal: valve, piston ring or head gasket",
    ),
    "crank_signal": (
        "crank sensor signal fault",
        "the crank sensor or its toothed wheel gives a wrong signal; the cylinder itself may "
        "be healthy",
    ),
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured column of the events: its label, unit and how many decimals are worth showing.

    `odd_share`: the change, as a share of the good firings' median, from which it is called odd.
    """

    column: str
    label: str
    unit: str
    decimals: int
    odd_share: float = math.nan


# Changes beyond what channels measure alike from one cylinder to the next on healthy engines.
SPARK_QUANTITIES = (
    Quantity("dwell_ms", "Dwell", "ms", 2, 0.06),
    Quantity("peak_current_a", "Peak primary current", "A", 2, 0.06),
    Quantity("firing_voltage_kv", "Firing voltage", "kV", 1, 0.20),
    Quantity("burn_time_ms", "Burn time", "ms", 2, 0.15),
    Quantity("burn_voltage_kv", "Burn voltage", "kV", 2, 0.15),
)
QUANTITIES = (
    *(q for q in SPARK_QUANTITIES if q.column != "burn_voltage_kv"),
    Quantity("segment_accel", "Segment acceleration", "1/s²", 0),
)
# What is said of a firing with one of `STROKE_FLAGS`.
FLAG_WORDS = {
    "clipped": "top of the kick cut off by the instrument",
    "clamped": "kick limited by the driver",
    "no_breakdown": "no breakdown",
    "no_dwell": "coil not switched",
    "limited": "current limited by the driver",
    "overlap": "two coils charged at once",
    "no_sync": "crank angle not known",
    "fuel_cut": "throttle closed, fuel cut or not",
    "crank_gap": "crank teeth missing or extra",
    "edge": "too near the start or end of the recording",
    "bounded": "firing voltage is a lower limit",
    "leaking": "spark energy leaked away",
    "unresolved": "firing voltage could not be measured",
}
# What is said of firings whose spark was in a state that is a fault's.
ODD_SPARKS = {
    "not_switched": "the coil was not switched at all (dwell absent)",
    "no_breakdown": "there was no spark: the gap did not break down",
    "starved": "the spark got too little energy",
    "leaking": "the spark energy leaked away, or the spark came early at a low voltage",
    "strained": "the spark came late at a high voltage and burned only briefly",
}

GLOSSARY: tuple[tuple[str, str], ...] = (
    ("Bout", "Lost combustions that follow one another within a second count as one bout."),
    ("Burn time", "How long the spark lasts, from breakdown to extinction. Also: spark duration."),
    (
        "Burn voltage",
        "The voltage across the plug while the spark burns; the height of the spark line.",
    ),
    ("Dwell", "How long the coil is switched on before each spark, to store energy."),
    (
        "Firing voltage",
        "The voltage at which the plug gap breaks down. Also: breakdown voltage, required voltage.",
    ),
    ("Lost combustion, misfire", "A power stroke in which the charge did not burn."),
    (
        "P0300, P0301 to P0312",
        "Standard trouble codes for a misfire: P0300 for random or several cylinders, the others "
        "for cylinders 1 to 12 (SAE J2012, ISO 15031-6).",
    ),
    ("Peak primary current", "Current in the coil at the instant of switch-off."),
    ("Ring-down", "The swing of the coil that is left when the spark has gone out."),
    (
        "Segment acceleration",
        "How much the crankshaft speeds up or slows down in the power stroke of one cylinder. A "
        "lost combustion shows as a clearly negative value.",
    ),
    ("Spark line", "The part of the waveform in which the spark burns."),
    (
        "Waste spark",
        "One coil fires two plugs at once, one of them in the exhaust stroke. They are in series: "
        "the coil's primary shows the sum of both firing voltages.",
    ),
)

# From a probability on, the word for a cylinder.
CERTAINTIES = (
    (0.9, "very likely"),
    (0.66, "likely"),
    (0.5, "more likely than not"),
    (0.05, "possible"),
    (-math.inf, "unlikely"),
)

# From a share on, how often the kind named so must at least have been right on drawn vehicles, and
# its word; `tests/report/test_words.py` holds the shipped model's card against it.
KINDS = (
    (0.8, 0.66, "likely"),
    (-math.inf, 0.0, "possible"),
)
LEARNED_FROM = (
    ("simulated_vehicles", "simulated vehicle"),
    ("confirmed_cases", "confirmed case"),
)


def list_cases(counts: Mapping[str, int]) -> str:
    """Name what a model was trained on.

    Parameters
    ----------
    counts : mapping of name -> int
        With the names of `LEARNED_FROM`.

    Returns
    -------
    words : str

    Examples
    --------
    >>> list_cases({"simulated_vehicles": 7, "confirmed_cases": 1})
    '7 simulated vehicles and 1 confirmed case'
    """
    told = ((counts[key], word) for key, word in LEARNED_FROM)
    return " and ".join(f"{n} {word}{'s' * (n != 1)}" for n, word in told if n)


def caution_kind(settings: Mapping[str, Any]) -> str:
    """Say what the naming of a kind of fault rests on.

    Parameters
    ----------
    settings : mapping
        Of the diagnosis.

    Returns
    -------
    sentence : str
    """
    confirmed = settings.get("confirmed_cases")
    if confirmed:
        tried = f"with {list_cases(settings)}"
    elif confirmed == 0:
        tried = "on simulated faults only, not on real vehicles"
    else:
        tried = "on no confirmed cases"
    return f"The percentage of a kind was checked {tried}. Use it to choose the first test."


def describe_certainty(probability: float) -> str:
    """Put a probability into words.

    Parameters
    ----------
    probability : float [0..1]

    Returns
    -------
    words : str

    Notes
    -----
    Source: the scale of the IPCC's guidance note on uncertainties (2010), from memory: very likely
    90 % and more, likely 66 %, more likely than not 50 %. Its words for 95 and 99 % are left out:
    of drawn cylinders said to be faulty with 90 % and more some 94 % were (model card).

    Examples
    --------
    >>> describe_certainty(0.98), describe_certainty(0.3)
    ('very likely', 'possible')
    """
    if math.isnan(probability):
        return "not known"
    return next(words for limit, words in CERTAINTIES if probability >= limit)


def describe_kind(share: float) -> str:
    """Put the share of a kind of fault into words, which are weaker than those for a cylinder.

    Parameters
    ----------
    share : float [0..1]

    Returns
    -------
    words : str
        The model card says how often the kind named with such a share was right.

    Examples
    --------
    >>> describe_kind(0.999), describe_kind(0.85), describe_kind(0.6)
    ('likely', 'likely', 'possible')
    """
    if math.isnan(share):
        return "not known"
    return next(words for limit, _, words in KINDS if share >= limit)


def format_kind(share: float) -> str:
    """Give the share of a kind of fault; no surer than it was ever shown to be.

    Examples
    --------
    >>> format_kind(0.9996), format_kind(0.42)
    ('over 80 %', '42 %')
    """
    return "over 80 %" if share >= KINDS[0][0] else format_percent(share)


def format_certainty(probability: float) -> str:
    """Give certainty in words and number.

    Examples
    --------
    >>> format_certainty(0.9)
    'very likely (90 %)'
    """
    return f"{describe_certainty(probability)} ({format_percent(probability)})"


def format_percent(share: float) -> str:
    """Give a share in per cent, with the digits that matter.

    Examples
    --------
    >>> format_percent(0.01364), format_percent(0.98), format_percent(0.9996), format_percent(0.0)
    ('1.4 %', '98 %', 'over 99 %', '0 %')
    """
    if math.isnan(share):
        return "–"
    per_cent = 100 * share
    if per_cent in (0, 100):
        return f"{per_cent:.0f} %"
    if per_cent > 99:
        return "over 99 %"
    if per_cent >= 10:
        return f"{per_cent:.0f} %"
    if per_cent >= 1:
        return f"{per_cent:.1f} %"
    return f"{per_cent:.2f} %" if per_cent >= 0.01 else "under 0.01 %"


def format_percent_range(low: float, high: float) -> str:
    """Give a range of shares in per cent.

    Examples
    --------
    >>> format_percent_range(0.0105, 0.0176)
    '1.1 to 1.8 %'
    """
    decimals = 0 if low >= 0.1 else 1 if high >= 0.01 else 2
    return f"{100 * low:.{decimals}f} to {100 * high:.{decimals}f} %"


def format_duration(seconds: float) -> str:
    """Give a length of time for people.

    Examples
    --------
    >>> format_duration(612.4), format_duration(42.25)
    ('10 min 12 s', '42 s')
    """
    if not math.isfinite(seconds):
        return "unknown length"
    whole = round(seconds)
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    if hours:
        return f"{hours} h {minutes} min"
    if minutes:
        return f"{minutes} min {rest} s"
    return f"{whole} s" if seconds >= 10 else f"{seconds:.1f} s"


def format_instant(seconds: float) -> str:
    """Give a length of time below which `format_duration` has no digits.

    Examples
    --------
    >>> format_instant(0.0167), format_instant(12.0)
    ('17 ms', '12 s')
    """
    return f"{1000 * seconds:.0f} ms" if seconds < 0.95 else format_duration(seconds)


def format_clock(seconds: float) -> str:
    """Give an instant of the recording as minutes and seconds.

    Examples
    --------
    >>> format_clock(252.04), format_clock(3672.0)
    ('4:12', '1:01:12')
    """
    if not math.isfinite(seconds):
        return "–"
    whole = int(seconds)
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def format_count(count: int) -> str:
    """Give a count with a thin space between thousands, which no reader takes for a decimal.

    Examples
    --------
    >>> format_count(16720) == "16\u202f720", format_count(4180)
    (True, '4180')
    """
    return f"{count:,}".replace(",", "\u202f") if abs(count) >= 10_000 else str(count)


def format_value(value: float, decimals: int) -> str:
    """Give a measured number; a dash where nothing was measurable.

    Examples
    --------
    >>> format_value(0.613, 2), format_value(float("nan"), 2)
    ('0.61', '–')
    """
    if not math.isfinite(value):
        return "–"
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def describe_flags(flags: str) -> str:
    """Say in plain words what a firing's flags mean.

    Parameters
    ----------
    flags : str
        Names of STROKE_FLAGS joined by spaces, as in events.parquet.

    Returns
    -------
    remarks : str
        Joined by commas.

    Examples
    --------
    >>> describe_flags("clamped no_breakdown")
    'kick limited by the driver, no breakdown'
    """
    return ", ".join(FLAG_WORDS.get(f, f.replace("_", " ")) for f in flags.split())


def is_bound(flags: str, column: str) -> bool:
    """Tell whether a firing's flags make a value the least that the true one can be.

    A gap that never broke down, or a kick cut off by the instrument, needs more than was seen.

    Examples
    --------
    >>> is_bound("no_breakdown", "firing_voltage_kv"), is_bound("no_breakdown", "dwell_ms")
    (True, False)
    """
    return column == "firing_voltage_kv" and not {
        "no_breakdown",
        "clipped",
        "bounded",
    }.isdisjoint(flags.split())


def name_fault(fault_type: str) -> str:
    """Give the plain name of a fault type; an unknown one keeps its own."""
    return FAULTS.get(fault_type, (fault_type.replace("_", " "), ""))[0]


def explain_fault(fault_type: str) -> str:
    """Say what a fault type means to a driver."""
    return FAULTS.get(fault_type, ("", ""))[1]


def pick_suspects(diagnosis: Diagnosis) -> tuple[CylinderResult, ...]:
    """Pick the cylinders a reader should look at, most likely first.

    Parameters
    ----------
    diagnosis : Diagnosis

    Returns
    -------
    suspects : tuple of CylinderResult
        Those more likely faulty than not. Where a verdict of misfire has none (a pair that cannot
        be told apart), those within 0.1 of the first.
    """
    ranked = sorted(diagnosis.cylinders, key=lambda c: c.rank)
    suspects = tuple(c for c in ranked if c.probability >= 0.5)
    if suspects or not ranked:
        return suspects
    if diagnosis.verdict != "misfire":
        return ()
    return tuple(c for c in ranked if c.probability >= ranked[0].probability - 0.1)


def share_one_fault(diagnosis: Diagnosis, suspects: tuple[CylinderResult, ...]) -> bool:
    """Tell whether one of the suspects is at fault and nothing tells which.

    Parameters
    ----------
    diagnosis : Diagnosis
    suspects : tuple of CylinderResult
        From `pick_suspects`.

    Returns
    -------
    one_of : bool
        True where the judge shared one probability among them.
    """
    if len(suspects) < 2:
        return False
    named = _pick_shared(diagnosis, suspects)
    return suspects[0].probability < 0.5 or (
        len(named) > 1 and sum(c.probability for c in named) < ONE_FAULT
    )


def name_everyone(diagnosis: Diagnosis, suspects: tuple[CylinderResult, ...]) -> str:
    """Name the suspects where they are all cylinders of an engine; empty where they are not.

    Parameters
    ----------
    diagnosis : Diagnosis
    suspects : tuple of CylinderResult
        From `pick_suspects`.

    Returns
    -------
    name : str
        As "all 4 cylinders".
    """
    n = len(diagnosis.cylinders)
    sure = all(c.probability >= FAULTY for c in suspects)
    return f"all {n} cylinders" if sure and len(suspects) == n > 2 else ""


def may_both_fail(diagnosis: Diagnosis, suspects: tuple[CylinderResult, ...]) -> bool:
    """Tell whether one of the suspects is at fault, or both, and nothing tells which.

    Parameters
    ----------
    diagnosis : Diagnosis
    suspects : tuple of CylinderResult
        From `pick_suspects`.

    Returns
    -------
    or_both : bool
        True where the judge shared more than one probability among two, but less than two.
    """
    total = sum(c.probability for c in suspects)
    named = _pick_shared(diagnosis, suspects)
    return len(suspects) == len(named) == 2 and ONE_FAULT <= total < SURELY_TWO


def _pick_shared(
    diagnosis: Diagnosis, suspects: tuple[CylinderResult, ...]
) -> list[CylinderResult]:
    """Pick the suspects that share a probability, because nothing tells them apart."""
    shared = {r.about for r in diagnosis.reasons if r.code == "shared"}
    return [c for c in suspects if f"cylinder {c.cylinder}" in shared]


def name_ailing(diagnosis: Diagnosis) -> list[str]:
    """Name the cylinders whose sparks are ailing; those of one coil as one or the other.

    One bad plug strains the sparks of all that its coil fires.

    Parameters
    ----------
    diagnosis : Diagnosis

    Returns
    -------
    names : list of str
        "1", "2 or 3"; in the order of their first cylinders.
    """
    ailing = {c.cylinder for c in diagnosis.cylinders if c.state == "ailing"}
    coils = {c: coil for coil in diagnosis.job.engine.shared_coils for c in coil}
    together = {tuple(sorted(ailing & set(coils.get(c, (c,))))) for c in ailing}
    return [join_words([str(c) for c in group], "or") for group in sorted(together)]


def begin_sentence(words: str) -> str:
    """Write the first letter large, and nothing else.

    Examples
    --------
    >>> begin_sentence("cylinder 3 has code P0303")
    'Cylinder 3 has code P0303'
    """
    return words[:1].upper() + words[1:]


def join_words(words: list[str], last: str = "and") -> str:
    """Join words as a sentence does.

    Examples
    --------
    >>> join_words(["1", "2", "4"])
    '1, 2 and 4'
    """
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"
