"""The few types that pass between the stages: they hold values and do nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, Protocol

from misfire.errors import ParameterError

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

ROLES = (
    "coil_primary",
    "coil_secondary",
    "coil_current",
    "coil_trigger",
    "crank",
    "cam",
    "injector_voltage",
    "injector_current",
    "starter_current",
    "battery_voltage",
)
COIL_ROLES = ROLES[:4]
UNITS = ("V", "kV", "A", "bool")
IGNITIONS = ("coil_on_plug", "wasted_spark", "distributor")
FAULT_TYPES = (
    "open_secondary",
    "fouled_plug",
    "weak_coil",
    "no_primary",
    "mixture",
    "low_compression",
    "crank_signal",
)
VERDICTS = ("misfire", "no_misfire", "inconclusive")

# Forms of structured arrays; numpy is not imported here: `misfire --help` stays quick.
CROSSING_FIELDS = [("sample", "f8"), ("edge", "i1")]
"""One threshold crossing: sample [samples from the first], edge +1 rise, -1 fall."""

LEVEL_FIELDS = [("time_s", "f8"), ("level", "i1")]
"""One level change of a logic channel: time [s on the file's clock], level 0 or 1 from then on."""

STROKE_FIELDS = [
    ("start_s", "f8"),  # coil switched on; NaN when not seen
    ("stop_s", "f8"),  # coil switched off, first strike
    ("dwell_ms", "f8"),
    ("peak_current_a", "f8"),
    ("ramp_a_per_ms", "f8"),  # slope of the lower half of the current ramp
    ("ramp_bend", "f8"),  # slope of the upper half over slope of the lower half
    ("ramp_step_a", "f8"),  # current the ramp starts with: loaded secondary or shorted turns
    ("ramp_ring_a", "f8"),  # ringing on the foot of the ramp; a shunt across the secondary damps it
    ("tail_a", "f8"),  # mean current 20 to 60 us after switch-off: driver at its clamp
    ("battery_v", "f8"),  # supply level just before switch-on
    ("primary_peak_v", "f8"),  # kick height above earth
    # Primary volts above supply when the gap broke down (secondary / turns), without breakdown the
    # height reached; on a pick-up its kick in own units.
    ("firing_v", "f8"),
    ("firing_v_error", "f8"),  # its standard error, as a share
    ("breakdown_us", "f8"),  # switch-off to breakdown
    ("burn_time_ms", "f8"),  # 0: the gap never broke down
    ("burn_level_v", "f8"),  # spark line above supply, primary volts (pick-up units on a secondary)
    ("burn_slope_v_per_ms", "f8"),
    ("decay_us", "f8"),  # time constant of a kick that a leak let decay; NaN elsewhere
    ("ring_v", "f8"),  # swing of the ring-down after the burn
    ("restrikes", "i2"),
    ("strikes", "i2"),
    ("flags", "u4"),  # STROKE_FLAGS
]
"""One charge and discharge of a coil, as one channel saw it."""

STROKE_FLAGS = {
    "clipped": 1,  # the kick reached the instrument's limit
    "clamped": 2,  # the kick stood at the driver's clamp
    "no_breakdown": 4,
    "no_dwell": 8,  # expected, never came
    "limited": 16,  # current limit plateau
    "overlap": 32,  # two dwells at once on a common feed
    "no_sync": 64,  # crank angle not known here
    "fuel_cut": 128,  # overrun: no cylinder burns
    "crank_gap": 256,  # crank pulses missing or extra within the power stroke
    "edge": 512,  # too near the start or end of the recording to judge
    "bounded": 1024,  # the gap may have asked for more than `firing_v`: clamped or clipped top
    "leaking": 2048,  # the kick decayed through a load: no spark line, no ringing
    "unresolved": 4096,  # it broke down, but its rise was not seen well enough: no `firing_v`
}

SPARK_STATES = (
    "usual",  # as its own good firings and the other cylinders
    "not_switched",  # no dwell
    "starved",  # too little current or energy for a full spark
    "no_breakdown",  # charged, but the kick rang on: nothing took the energy
    "leaking",  # the kick was loaded before a gap could break down, or breaks down early
    "strained",  # it broke down, late and high, and burned short
    "unseen",
)
BAD_SPARKS = SPARK_STATES[1:-1]  # what no sound ignition makes
WORK_STATES = ("done", "partial", "lost", "cut", "unseen")
"""What a firing can be, on two axes: its spark, and what came of it."""

EVENT_COLUMNS = (
    "time_s",
    "cycle",
    "cylinder",
    "crank_deg",
    "rpm",
    "dwell_ms",
    "peak_current_a",
    "primary_peak_v",
    "firing_voltage_kv",
    "burn_time_ms",
    "burn_voltage_kv",
    "segment_accel",
    "misfire_probability",
    "strikes",
    "flags",
    "spark",
    "spark_probability",
    "work",
    "work_probability",
)
"""Columns of events.parquet, in order; `flags` is text, names joined by a space; `spark` and
`work` are the likeliest states, as text."""


@dataclass(frozen=True, slots=True)
class Engine:
    """The engine of a job card, checked once.

    `firing_angles_deg[i]` is the crank angle of compression TDC of `firing_order[i]`, from that of
    `firing_order[0]` [0..720). `waste_pairs` is empty unless `ignition` is wasted_spark.
    """

    cylinders: int
    firing_order: tuple[int, ...]
    ignition: str
    firing_angles_deg: tuple[float, ...] = ()
    waste_pairs: tuple[tuple[int, int], ...] = ()
    coil_turns_ratio: float | None = None

    def __post_init__(self) -> None:
        """Fill the defaults and refuse what no engine can be."""
        n = self.cylinders
        if not 1 <= n <= 12:
            raise ParameterError(f"cylinders must be 1 to 12, got {n}")
        if sorted(self.firing_order) != list(range(1, n + 1)):
            raise ParameterError(
                f"firing_order must name each of the cylinders 1 to {n} once, "
                f"got {list(self.firing_order)}"
            )
        if self.ignition not in IGNITIONS:
            raise ParameterError(f"ignition must be one of {', '.join(IGNITIONS)}")
        if not self.firing_angles_deg:
            object.__setattr__(self, "firing_angles_deg", tuple(720.0 * i / n for i in range(n)))
        angles = self.firing_angles_deg
        rising = all(a < b for a, b in zip(angles, angles[1:], strict=False))
        if len(angles) != n or angles[0] != 0 or not rising or angles[-1] >= 720:
            raise ParameterError(
                f"firing_angles_deg must be {n} rising angles from 0 to below 720, one for each "
                f"entry of firing_order, got {list(angles)}"
            )
        if self.ignition == "wasted_spark" and not self.waste_pairs:
            object.__setattr__(self, "waste_pairs", self._opposite_pairs())

    @property
    def shared_coils(self) -> tuple[tuple[int, ...], ...]:
        """Cylinders of every coil that fires more than one; empty for a coil on each plug.

        Examples
        --------
        >>> Engine(4, (1, 3, 4, 2), "distributor").shared_coils
        ((1, 2, 3, 4),)
        """
        if self.ignition == "distributor" and self.cylinders > 1:
            return (tuple(range(1, self.cylinders + 1)),)
        return tuple((min(pair), max(pair)) for pair in self.waste_pairs)

    def _opposite_pairs(self) -> tuple[tuple[int, int], ...]:
        """Pair the cylinders whose compression TDC lie 360 degrees apart."""
        angle = dict(zip(self.firing_order, self.firing_angles_deg, strict=True))
        pairs = set()
        for a, at in angle.items():
            for b, bt in angle.items():
                if a < b and abs(abs(at - bt) - 360.0) < 1.0:
                    pairs.add((a, b))
        return tuple(sorted(pairs))


@dataclass(frozen=True, slots=True)
class CrankWheel:
    """The toothed wheel: `gaps` are the runs of missing positions (1-based), empty if plain."""

    positions: int
    gaps: tuple[tuple[int, ...], ...] = ()
    tdc_deg: float | None = None
    sensor: Literal["vr", "hall"] | None = None


@dataclass(frozen=True, slots=True)
class Cam:
    """Crank angle (0..720 after TDC of firing_order[0]) of the cam's first rising edge."""

    edge_deg: float


@dataclass(frozen=True, slots=True)
class ChannelCard:
    """One `[[channel]]` of a job card: None where it is silent; `cylinders` empty means all.

    `parts` are the files of a recording in several, in order (`file` is then the first), and
    `part_start_s` when each began; `gaps_s` are the spans between them, on the file's clock, once
    they are known.
    """

    role: str
    file: str
    column: int | str
    name: str
    cylinders: tuple[int, ...] = ()
    unit: str | None = None
    scale: float | None = None
    offset: float | None = None
    rate_hz: float | None = None
    start_s: float | None = None
    parts: tuple[str, ...] = ()
    part_start_s: tuple[float, ...] = ()
    gaps_s: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        """Make tuples of lists, as they come from a kept recording, and refuse what is none."""
        try:
            parts = tuple(str(name) for name in self.parts)
            starts = tuple(float(at) for at in self.part_start_s)
            gaps = tuple((float(a), float(b)) for a, b in self.gaps_s)
        except (TypeError, ValueError):
            raise ParameterError("the parts of a channel are not what a job card holds") from None
        object.__setattr__(self, "parts", parts)
        object.__setattr__(self, "part_start_s", starts)
        object.__setattr__(self, "gaps_s", gaps)


@dataclass(frozen=True, slots=True)
class JobMark:
    """A moment that somebody noted: `time_s` on the common clock, and what was felt or done."""

    time_s: float
    text: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """What belongs on the sheet for the file; empty or None where the card is silent.

    `recorded`: ISO 8601 date, or date and time, at which the recording began.
    """

    recorded: str = ""
    odometer_km: float | None = None
    technician: str = ""
    workshop: str = ""


@dataclass(frozen=True, slots=True)
class JobCard:
    """A parsed job card; `text` is the TOML it was read from, kept with the recording."""

    vehicle_id: str
    engine: Engine
    channels: tuple[ChannelCard, ...]
    folder: Path
    text: str
    wheel: CrankWheel | None = None
    cam: Cam | None = None
    note: str = ""
    sheet: Sheet = Sheet()
    marks: tuple[JobMark, ...] = ()


@dataclass(frozen=True, slots=True)
class Finding:
    """Something the reader of a result must know. `severity`: info, warning or error."""

    code: str
    severity: Literal["info", "warning", "error"]
    message: str
    channel: str = ""


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel of a recording.

    Value = counts x scale + offset; sample i was taken at start_s + i / rate_hz on the common
    clock.
    `n_samples` is 0 for a logic channel that is stored as level changes (`is_levels`).
    Counts at or beyond `clip_low`/`clip_high` are over range. `clock` names the instrument.
    """

    name: str
    role: str
    unit: str
    scale: float
    offset: float
    rate_hz: float
    start_s: float
    n_samples: int
    cylinders: tuple[int, ...] = ()
    clock: str = ""
    is_levels: bool = False
    clip_low: int = -32768
    clip_high: int = 32767
    clock_known: bool = True  # start_s was given, or is worked out; False: an instrument of its own


@dataclass(frozen=True, slots=True)
class Recording:
    """Channels of one vehicle's recording and ways to read their counts piece by piece.

    `read(name, start, stop)` gives int16 counts of a sampled channel [shape=(stop - start,)];
    `read_levels(name)` gives all changes of a logic channel [LEVEL_FIELDS].
    """

    path: Path
    sha256: str
    job: JobCard
    channels: tuple[Channel, ...]
    read: Callable[[str, int, int], NDArray[np.int16]]
    read_levels: Callable[[str], NDArray[np.void]]
    findings: tuple[Finding, ...] = ()
    close: Callable[[], None] = field(default=lambda: None)


@dataclass(frozen=True, slots=True)
class StrokeTrain:
    """All coil strokes that one channel saw [ascending in stop_s, common clock].

    Of STROKE_FIELDS those that a channel of its role may show.
    """

    channel: Channel
    strokes: NDArray[np.void]


@dataclass(frozen=True, slots=True)
class Firings:
    """Every power stroke that should have happened, in time order, with what was seen of it.

    All arrays [shape=(n_firings,)]: `tdc_angle_deg` is unwrapped crank angle of compression TDC on
    the track it came from; `spark_s` the observed switch-off, or the instant it was expected;
    `stroke_index[channel name]` the row of that channel's strokes, -1: none there; `strikes` how
    many strokes it had. `stretch` as in the track. `mates` are the cylinders 360 degrees apart.
    `resolved` is False where cylinders cannot be told apart: each of `renamings` gives every
    cylinder another name that fits the recording as well.
    """

    cycle: NDArray[np.int64]
    cylinder: NDArray[np.int64]
    tdc_angle_deg: NDArray[np.float64]
    tdc_s: NDArray[np.float64]
    spark_s: NDArray[np.float64]
    seen: NDArray[np.bool_]
    advance_deg: NDArray[np.float64]
    rpm: NDArray[np.float64]
    stretch: NDArray[np.int32]
    strikes: NDArray[np.int64]
    stroke_index: dict[str, NDArray[np.int64]]
    resolved: bool
    mates: dict[int, int]
    tdc_deg: float
    tdc_known: bool
    findings: tuple[Finding, ...] = ()
    renamings: tuple[dict[int, int], ...] = ()


class PerTooth(Protocol):
    """One number for each tooth: an array, or what is indexed like one and counts it out."""

    @property
    def size(self) -> int:
        """Number of teeth."""

    def __len__(self) -> int:
        """Give the number of teeth."""

    def __getitem__(self, at: Any, /) -> Any:
        """Give one, a slice or some of the numbers."""


class Ascending(PerTooth, Protocol):
    """Numbers that ascend from tooth to tooth."""

    def searchsorted(self, v: Any, /, side: Literal["left", "right"] = "left") -> Any:
        """Give the teeth before which values belong."""


@dataclass(frozen=True, slots=True)
class ToothTrain:
    """The teeth that one crank channel saw, once at each of their edges.

    `tooth_s` [shape=(n_teeth,), unit=s, ascending]: from the channel's first sample; of a logic
    capture, on the file's clock. `edge`: which crossing it is, +1 upwards, -1 downwards. `other_s`:
    the crossings the other way; None where one is chosen, empty where they are plainly slow.
    `amplitude` [unit=counts]: typical peak (VR) or half the swing (Hall); NaN of a logic capture.
    `edge_shift_pitch`: where the edge stands after the falling edge of the same tooth, in tooth
    pitches; 0 when the falling edge (Hall) or the steep flank (VR) itself is used. `seen`: in
    words, what each edge shows of the wheel, where they differ.
    """

    tooth_s: NDArray[np.float64]
    sensor: Literal["vr", "hall"]
    edge: int
    amplitude: float = float("nan")
    edge_shift_pitch: float = 0.0
    findings: tuple[Finding, ...] = ()
    other_s: NDArray[np.float64] | None = None
    seen: str = ""


@dataclass(frozen=True, slots=True)
class CrankTrack:
    """Crank angle against time, through the teeth.

    `time_s`, `angle_deg` [shape=(n_teeth,)]: instant and unwrapped crank angle of each tooth seen;
    angle 0, 360, ... is the first tooth after the (first) gap. `stretch` [int32] numbers the
    stretches in sync: between two stretches the angle is not known and the revolution count may
    be off. `revolution_known` is False on a wheel without a gap. `lost_s` [shape=(n, 2)] are the
    spans without sync. `n_missing`/`n_extra` count single pulses repaired or dropped.
    """

    time_s: NDArray[np.float64]
    angle_deg: Ascending
    stretch: PerTooth
    wheel: CrankWheel
    revolution_known: bool = True
    lost_s: NDArray[np.float64] | None = None
    repaired_s: NDArray[np.float64] | None = None
    n_missing: int = 0
    n_extra: int = 0
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Reason:
    """One addend of what is said: `log_odds` (natural), and in a sentence what it rests on.

    `about`: "cylinder 3", "engine", "sensor" or "hook-up"; `rows`: how to pick in events.parquet
    the firings that it rests on, column -> value.
    """

    code: str
    about: str
    log_odds: float
    text: str
    rows: dict[str, Any] = field(default_factory=dict)


class Fault(NamedTuple):
    """A kind of fault (one of FAULT_TYPES) and its share, given that the cylinder is faulty."""

    type: str
    probability: float


@dataclass(frozen=True, slots=True)
class CylinderResult:
    """What is said of one cylinder; see `cylinders` of result.json."""

    cylinder: int
    rank: int
    probability: float
    cycles: int
    misfires: int
    faults: tuple[Fault, ...]  # most likely first
    features: dict[str, float]
    evidence: tuple[str, ...] = ()
    next_tests: tuple[str, ...] = ()
    state: str = "unseen"  # failing, ailing, sound or unseen
    table: dict[str, dict[str, int]] = field(default_factory=dict)  # spark -> work -> firings


@dataclass(frozen=True, slots=True)
class WaveformPanel:
    """Waveforms of one channel around switch-off, for one suspect cylinder, ready to draw.

    `time_ms` [shape=(n,)] from switch-off; `suspect` [shape=(n_firings, n)] the worst firings;
    `good_low`, `good_mid`, `good_high` [shape=(n,)] 10, 50 and 90 per cent of the good firings.
    """

    channel: str
    role: str
    unit: str
    cylinder: int
    time_ms: NDArray[np.float64]
    suspect: NDArray[np.float64]
    suspect_time_s: tuple[float, ...]
    good_low: NDArray[np.float64]
    good_mid: NDArray[np.float64]
    good_high: NDArray[np.float64]
    good_from: str = ""  # which firings were the reference, in words


@dataclass(frozen=True, slots=True)
class FiringWaves:
    """Waveforms of many firings in one channel, on one uneven grid of time, ready to show.

    `time_ms` [shape=(n,)] from switch-off; `row` [shape=(m,)] rows of the diagnosis's events, the
    most telling first; `values` [shape=(m, n), unit=`unit`]; `good_mid[cylinder]` [shape=(n,)] the
    median of that cylinder's good firings, missing where it has too few.
    """

    channel: str
    role: str
    unit: str
    time_ms: NDArray[np.float64]
    row: NDArray[np.int64]
    values: NDArray[np.float32]
    good_mid: dict[int, NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """The answer for one recording, with all the reports are made from.

    `events`: one row per expected firing, EVENT_COLUMNS. `extras` holds further per-firing columns
    (same rows) that pictures and training use. `rpm_s`, `rpm`: the speed line of the timeline.
    """

    vehicle: str
    note: str
    job: JobCard
    source: str
    sha256: str
    verdict: str
    duration_s: float
    cycles: int
    cylinders: tuple[CylinderResult, ...]
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]
    events: pd.DataFrame
    extras: pd.DataFrame
    rpm_s: NDArray[np.float64]
    rpm: NDArray[np.float64]
    panels: tuple[WaveformPanel, ...] = ()
    witnesses: dict[str, Any] = field(default_factory=dict)  # which evidence existed, in words
    settings: dict[str, Any] = field(default_factory=dict)
    waves: tuple[FiringWaves, ...] = ()
    separable: dict[str, tuple[str, ...]] = field(default_factory=dict)  # cylinder -> fault types
    reasons: tuple[Reason, ...] = ()  # the strongest first
    reported: str = ""  # ISO 8601 date of the report; empty where it is none for the file
