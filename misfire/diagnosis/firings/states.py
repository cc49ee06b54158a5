"""What a firing can be, on two axes, and what each condition does to what is measured of it.

Every firing is in one state of its spark and one of its work. A state of the spark may come about
in several ways, the `MECHANISMS`; each says, per unit of its severity, how far every measure of the
stroke moves from that of the same cylinder's sound sparks. The directions are those of the trade's
textbooks (firing line and spark line read as a pair) and of the coil's circuit; the sizes are rough
on purpose, because the severity is left open and the tails are heavy.

Sources: stored energy L I^2 / 2, burn time falling with what the breakdown took and with resistance
in its path, a shunt that loads the kick (closed forms of an inductive ignition, e.g. Heywood,
"Internal Combustion Engine Fundamentals", section 9.5, from memory); high firing line and short
spark line: open, wide gap; low and long: fouled, shorted path (textbooks of automotive ignition).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType

from misfire.records import WORK_STATES

JUDGED_WORK = WORK_STATES[:3]

MEASURES = MappingProxyType(
    {
        # Column of the firing table -> least scatter of sound firings, in the column's unit (logs
        # of ratios but for shares): the resolution of a usual hook-up, so that a recording of
        # unusual calm does not make a strangeness of nothing.
        "form_burn_ms": 0.04,
        "form_breakdown_us": 0.06,
        "form_firing": 0.06,
        "form_pickup": 0.06,
        "form_burn_level": 0.03,
        "form_pickup_level": 0.03,
        "form_kick": 0.03,
        "form_ring": 0.10,
        "form_peak_a": 0.012,
        "form_slope": 0.02,
        "form_ring_on": 0.06,
        "form_step": 0.012,  # share of the peak current
        "form_bend": 0.04,  # slope of the ramp's upper part over the lower
    }
)
SAME_AS = MappingProxyType({"form_pickup": "form_firing", "form_pickup_level": "form_burn_level"})
"""Measures that another instrument tells: what a mechanism does to the one it does to the other."""
POPULATION = MappingProxyType(
    {
        # Column -> centre and spread of the usual spark of sound cylinders, over engines and coils:
        # where a fault is always there and no other cylinder is seen, only these tell. From 108
        # sound simulated vehicles, the spreads widened by half, as real coils differ more.
        "form_burn_ms": (0.05, 0.55),
        "form_burn_level": (0.25, 0.40),
        "form_firing": (2.1, 0.75),
        "form_peak_a": (1.95, 0.35),
        "form_slope": (1.25, 0.50),
        "form_step": (0.0, 0.03),
        "form_ring_on": (-3.9, 0.80),
        "form_bend": (0.80, 0.15),  # exp(-t R/L) of 0.4 to 1.2 ohm, 2 to 5 mH, 1.5 to 3 ms
    }
)
SEVERITIES = (0.1, 0.17, 0.3, 0.5, 0.8, 1.2, 1.8)
"""Sizes of a condition, all as likely; 1 is one that any diagnostician sees."""

LEVEL_SCATTER = 0.35  # of what a mechanism does to a measure: engines and coils differ
FREEDOM = 4.0  # degrees of freedom of Student's law: heavy tails
TOGETHER = 0.7  # measures of one stroke lean on each other: their sum counts this much


@dataclass(frozen=True, slots=True)
class Mechanism:
    """One way in which a spark comes to its state.

    `per_severity` and `always`: how far measures move from those of a sound spark, by severity and
    in any case; `scatter`: how far that second part scatters. `dark`: probability that no spark
    line is seen; `leaks`: that the kick is seen to decay through a load. `work`: prior probability
    of the work `JUDGED_WORK`.
    """

    state: str
    work: tuple[float, float, float]
    dark: float = 0.001
    leaks: float = 0.002
    per_severity: dict[str, float] = field(default_factory=dict)
    always: dict[str, float] = field(default_factory=dict)
    scatter: dict[str, float] = field(default_factory=dict)


EARLY = {
    "form_firing": -0.6,
    "form_breakdown_us": -0.3,
    "form_burn_ms": 0.4,
    "form_burn_level": -0.3,
    "form_kick": -0.35,
    "form_ring": -0.4,
}
MECHANISMS = MappingProxyType(
    {
        "sound": Mechanism("usual", (0.02, 0.18, 0.80)),
        # Supply or contact: current and slope down together, the kick lower, the rest follows.
        "feed": Mechanism(
            "starved",
            (0.40, 0.10, 0.50),
            dark=0.03,
            per_severity={
                "form_peak_a": -1.0,
                "form_bend": -0.5,
                "form_slope": -0.9,
                "form_burn_ms": -0.95,
                "form_kick": -0.7,
                "form_breakdown_us": 0.45,
                "form_firing": -0.15,
                "form_burn_level": -0.03,
                "form_ring_on": -0.2,
            },
        ),
        # A loop of shorted turns: the ramp starts with a step, and the loop eats the kick.
        "shorted_turns": Mechanism(
            "starved",
            (0.40, 0.05, 0.55),
            dark=0.2,
            leaks=0.05,
            per_severity={
                "form_step": 0.15,
                "form_burn_ms": -1.0,
                "form_kick": -0.5,
                "form_breakdown_us": 0.4,
                "form_ring_on": -0.9,
                "form_ring": -0.7,
                "form_slope": -0.12,
                "form_peak_a": 0.03,
            },
            scatter={"form_bend": 0.04},  # by how fast the loop's own current dies away
        ),
        # A loop of little resistance takes the whole kick: as dark as behind a shunt. Its current
        # stands through the charge, so the ramp does not bend.
        "shorted_dead": Mechanism(
            "starved",
            (0.01, 0.02, 0.97),
            dark=0.97,
            leaks=0.8,
            per_severity={
                "form_step": 0.15,
                "form_kick": -0.5,
                "form_firing": -0.5,
                "form_ring_on": -0.9,
                "form_slope": -0.12,
                "form_peak_a": 0.03,
            },
            always={"form_breakdown_us": 0.6, "form_ring": -0.9},
            scatter={"form_breakdown_us": 0.8, "form_ring": 0.9},
        ),
        "lossy_core": Mechanism(
            "starved",
            (0.40, 0.10, 0.50),
            dark=0.1,
            per_severity={
                "form_burn_ms": -1.0,
                "form_kick": -0.4,
                "form_breakdown_us": 0.2,
                "form_ring": -0.5,
                "form_slope": 0.25,
            },
        ),
        # Too little energy to reach what the gap asks for. Those fail that ask for most, so it may
        # well stand higher than usual sparks break; what there is of it rings on.
        "exhausted": Mechanism(
            "starved",
            (0.02, 0.03, 0.95),
            dark=0.97,
            leaks=0.1,
            per_severity={
                "form_kick": -0.6,
                "form_slope": 0.15,
                "form_step": 0.15,
                "form_ring_on": -0.4,
            },
            always={"form_firing": 0.0, "form_breakdown_us": 0.9, "form_ring": 0.8},
            scatter={"form_firing": 0.3, "form_breakdown_us": 0.6, "form_ring": 0.6},
        ),
        # An open path: the coil reaches what it can, above all usual sparks, and rings with all of
        # its energy, where a spark line leaves a third or less.
        "open_path": Mechanism(
            "no_breakdown",
            (0.01, 0.02, 0.97),
            dark=0.98,
            per_severity={"form_kick": 0.1, "form_firing": 0.7},
            always={"form_breakdown_us": 1.3, "form_ring": 1.4},
            scatter={"form_breakdown_us": 0.6, "form_ring": 0.6},
        ),
        # A shunt across the plug: loaded from the first volt, no breakdown. It damps a ring that
        # has all of the energy: more or less of it may be left than after a spark.
        "shunt": Mechanism(
            "leaking",
            (0.05, 0.05, 0.90),
            dark=0.97,
            leaks=0.8,
            per_severity={
                "form_kick": -0.4,
                "form_firing": -0.6,
                "form_step": 0.15,
                "form_ring_on": -0.9,
                "form_slope": -0.12,
                "form_peak_a": 0.03,
            },
            always={"form_breakdown_us": 0.3, "form_ring": 0.0},
            scatter={"form_breakdown_us": 0.8, "form_ring": 1.2},
        ),
        # The same behind a diode or a rotor gap: nothing of it is seen while the coil charges.
        "hidden_shunt": Mechanism(
            "leaking",
            (0.05, 0.05, 0.90),
            dark=0.97,
            leaks=0.8,
            per_severity={"form_kick": -0.4, "form_firing": -0.6},
            always={"form_breakdown_us": 0.3, "form_ring": 0.0},
            scatter={"form_breakdown_us": 0.8, "form_ring": 1.2},
        ),
        # A creeping path: breaks down early, burns long and low; it damps the coil's first ring.
        "creeping": Mechanism(
            "leaking", (0.40, 0.15, 0.45), dark=0.03, per_severity={**EARLY, "form_ring_on": -0.4}
        ),
        # The same behind a diode, or the gap itself asks for little.
        "early": Mechanism("leaking", (0.40, 0.15, 0.45), dark=0.03, per_severity=EARLY),
        # A path beside the gap that only the burning spark finds, or that takes the place of one of
        # a coil's two gaps: low, breakdown as usual; longer, if the path does not eat the energy.
        "lingering": Mechanism(
            "leaking",
            (0.40, 0.15, 0.45),
            dark=0.03,
            per_severity={"form_burn_level": -0.35, "form_ring": -0.4},
            always={"form_burn_ms": 0.15},
            scatter={"form_burn_ms": 0.3},
        ),
        # A wide gap, at the plug or in the lead: late and high, and less left to burn.
        "wide_gap": Mechanism(
            "strained",
            (0.60, 0.05, 0.35),
            dark=0.05,
            per_severity={
                "form_firing": 0.8,
                "form_breakdown_us": 0.6,
                "form_burn_ms": -0.5,
                "form_burn_level": 0.35,
                "form_kick": 0.3,
                "form_ring": 0.35,
            },
        ),
        # Resistance in the burning path: the line stands high and falls early.
        "resistance": Mechanism(
            "strained",
            (0.40, 0.10, 0.50),
            dark=0.1,
            per_severity={
                "form_burn_ms": -1.2,
                "form_burn_level": 0.6,
                "form_firing": 0.1,
                "form_breakdown_us": 0.15,
            },
        ),
        "not_switched": Mechanism("not_switched", (0.002, 0.010, 0.988)),
    }
)

LEAN, UNFED = (0.02, 0.45, 0.53), (0.005, 0.03, 0.965)  # work of a charge: too lean, none at all
# What leaks burns, but gives less; and where most of it is gone, next to nothing.
UNSEALED, UNTIGHT = (0.05, 0.90, 0.05), (0.02, 0.18, 0.80)


def _own_work(*names: str) -> tuple[tuple[str, tuple[float, float, float], str], ...]:
    return tuple((name, MECHANISMS[name].work, "usual") for name in names)


KINDS = MappingProxyType(
    {
        # Fault type -> how its odd firings come about, all as likely beforehand: mechanism of the
        # spark, work, feeding of the charge.
        "open_secondary": _own_work("open_path", "wide_gap", "resistance"),
        "fouled_plug": _own_work("shunt", "hidden_shunt", "creeping", "early", "lingering"),
        "weak_coil": _own_work("feed", "shorted_turns", "shorted_dead", "lossy_core", "exhausted"),
        "no_primary": _own_work("not_switched"),
        "mixture": (
            ("sound", LEAN, "usual"),
            ("sound", UNFED, "usual"),
            ("sound", UNFED, "unfed"),
        ),
        "low_compression": (
            ("sound", UNSEALED, "usual"),
            ("early", UNSEALED, "usual"),
            ("sound", UNTIGHT, "usual"),
        ),
    }
)
STANDING_WAY = (("sound", (0.01, 0.05, 0.94), "usual"),)
"""How losses look where the spark is bad in every firing alike: it has nothing to differ from."""
KIND_PRIOR = MappingProxyType(
    {
        # How often workshops meet each as the cause of a misfire (common practice, rough).
        "open_secondary": 0.27,
        "fouled_plug": 0.20,
        "weak_coil": 0.17,
        "no_primary": 0.07,
        "mixture": 0.20,
        "low_compression": 0.09,
    }
)
INDEPENDENT = 20.0  # firings of one recording count as so many at most: they are not independent
ODD_SHARE = 0.03  # of firings whose spark is not usual, before anything is known of the cylinder
