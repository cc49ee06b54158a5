"""The scenario: everything that decides a simulated recording, as checked values."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from misfire.errors import ParameterError
from misfire.records import FAULT_TYPES, IGNITIONS, ROLES, Engine
from misfire.simulate.fields import check_fields, choice, number
from misfire.simulate.pieces_model import PiecesModel

CONDITIONS = ("idle", "cold_idle", "cruise", "drive", "overrun", "start", "crank")
PATTERNS = ("always", "random", "bursts", "load", "warm_up")
FORMATS = ("wav", "h5", "csv", "npz")
WAVES = ("circuit", "pieces")
FAULT_KINDS: dict[str, tuple[str, ...]] = {
    "open_secondary": ("gap", "lead", "resistance", "open"),
    "fouled_plug": ("shunt", "track"),
    "weak_coil": ("shorted", "layers", "feed", "core"),
    "no_primary": ("trigger", "driver"),
    "mixture": ("no_fuel", "lean", "flooded"),
    "low_compression": ("leak",),
    "crank_signal": ("drop_outs", "extra", "damaged", "loss"),
}
"""The ways in which each fault type of the contract comes about."""


@dataclass(frozen=True, slots=True)
class EngineModel:
    """Geometry, masses and combustion of the engine."""

    cylinders: int = number(4, 1, 12)
    firing_order: tuple[int, ...] = (1, 3, 4, 2)
    firing_angles_deg: tuple[float, ...] = ()
    ignition: str = choice("coil_on_plug", IGNITIONS)
    waste_pairs: tuple[tuple[int, int], ...] = ()
    displacement_l: float = number(1.6, 0.1, 9.0)
    compression_ratio: float = number(10.5, 6.0, 15.0)
    stroke_bore: float = number(1.05, 0.6, 1.5)
    rod_crank: float = number(3.4, 2.5, 5.0)
    inertia_kgm2: float = number(0.14, 0.01, 1.5)  # crank, flywheel, clutch
    piston_kg: float = number(0.45, 0.05, 1.5)  # reciprocating mass of one cylinder
    friction_bar: float = number(0.9, 0.3, 3.0)  # mean pressure at idle, warm
    burn_deg: float = number(52.0, 20.0, 110.0)  # whole Wiebe duration at idle
    spark_need: float = number(1.0, 0.2, 4.0)  # of energy and burn time to light a charge
    cov: float = number(0.05, 0.0, 0.4)  # coefficient of variation of a cycle's heat at idle
    idle_rpm: float = number(800.0, 450.0, 1500.0)
    advance_idle_deg: float = number(12.0, -10.0, 30.0)
    advance_load_deg: float = number(28.0, 0.0, 50.0)
    cylinder_spread: float = number(0.02, 0.0, 0.15)  # charge and fuel differ by this, 1 sigma
    # First torsional mode of the crank; 0 Hz: it is stiff. Twist of the front end by 100 Nm there.
    torsion_hz: float = number(0.0, 0.0, 800.0)
    torsion_damping: float = number(0.04, 0.005, 0.5)
    twist_deg_100nm: float = number(0.04, 0.0, 2.0)

    def __post_init__(self) -> None:
        """Check ranges and that order, angles and pairs make an engine."""
        check_fields(self, "engine")
        self.to_engine()

    def to_engine(self, turns_ratio: float | None = None) -> Engine:
        """Make the job card's engine of it."""
        return Engine(
            cylinders=self.cylinders,
            firing_order=self.firing_order,
            ignition=self.ignition,
            firing_angles_deg=self.firing_angles_deg,
            waste_pairs=self.waste_pairs,
            coil_turns_ratio=turns_ratio,
        )


@dataclass(frozen=True, slots=True)
class WheelModel:
    """Crank wheel and its sensor; positions are 1-based, as on the job card."""

    positions: int = number(60, 1, 400)
    gaps: tuple[tuple[int, ...], ...] = ((59, 60),)
    tdc_deg: float = number(84.0, 0.0, 360.0)
    sensor: str = choice("vr", ("vr", "hall"))
    pole_width: float = number(0.26, 0.12, 0.45)  # VR: sigma of the pole's field, in pitches
    volts_per_krpm: float = number(4.0, 0.05, 60.0)  # VR: amplitude at 1000 rpm
    runout: float = number(0.05, 0.0, 0.3)  # amplitude swing, once a revolution
    pitch_error_deg: float = number(0.03, 0.0, 0.5)  # 1 sigma, each tooth
    gap_error_deg: float = number(0.05, -1.0, 1.0)  # the tooth after a gap sits this much late
    inverted: bool = False  # VR leads reversed
    tooth_share: float = number(0.5, 0.1, 0.9)  # Hall: share of the pitch at the high level
    high_v: float = number(5.0, 3.0, 15.0)  # Hall: pull-up level
    jitter_us: float = number(1.0, 0.0, 30.0)  # Hall: each edge, 1 sigma
    end: str = choice("flywheel", ("flywheel", "front"))  # of the crank, at which it stands

    def __post_init__(self) -> None:
        """Check ranges and the gaps."""
        check_fields(self, "crank_wheel")
        missing = [p for gap in self.gaps for p in gap]
        if len(set(missing)) != len(missing) or not all(1 <= p <= self.positions for p in missing):
            raise ParameterError(
                f"crank_wheel.gaps: need different positions 1 to {self.positions}, "
                f"got {[list(g) for g in self.gaps]}"
            )
        if len(missing) >= self.positions:
            raise ParameterError("crank_wheel.gaps: at least one tooth must stay")

    @property
    def first_position(self) -> int:
        """The first tooth after the first gap."""
        if not self.gaps:
            return 1
        return max_of_run(self.gaps[0], self.positions) % self.positions + 1


def max_of_run(run: tuple[int, ...], positions: int) -> int:
    """Find the last position of a run of missing teeth, which may wrap past the last one."""
    inside = set(run)
    ends = [p for p in run if p % positions + 1 not in inside]
    return ends[0] if ends else max(run)


@dataclass(frozen=True, slots=True)
class CamModel:
    """Cam signal: angles of rising and falling edges, 0..720 after TDC of firing_order[0]."""

    rising_deg: tuple[float, ...] = (312.0,)
    falling_deg: tuple[float, ...] = (672.0,)
    high_v: float = number(5.0, 3.0, 15.0)

    def __post_init__(self) -> None:
        """Check that edges alternate."""
        check_fields(self, "cam")
        marks = sorted([(a, 1) for a in self.rising_deg] + [(a, 0) for a in self.falling_deg])
        kinds = [kind for _, kind in marks]
        fit = bool(marks) and all(0 <= a < 720 for a, _ in marks)
        if not fit or any(a == b for a, b in zip(kinds, kinds[1:] + kinds[:1], strict=True)):
            raise ParameterError("cam: rising_deg and falling_deg must alternate within 0..720")


@dataclass(frozen=True, slots=True)
class CoilModel:
    """Ignition coil, driver and plug."""

    primary_mh: float = number(3.0, 0.5, 15.0)
    primary_ohm: float = number(0.5, 0.1, 5.0)  # winding and wiring
    turns_ratio: float = number(80.0, 40.0, 150.0)
    leak: float = number(0.03, 0.0, 0.2)  # leakage inductance over primary inductance
    efficiency: float = number(0.85, 0.3, 1.0)  # stored energy that reaches the secondary
    secondary_kohm: float = number(12.0, 0.5, 60.0)  # winding, lead and plug resistor
    secondary_pf: float = number(75.0, 20.0, 250.0)
    saturation_v: float = number(1.3, 0.1, 3.0)  # driver on
    limit_a: float = number(12.0, 3.0, 25.0)  # driver's current limit
    target_a: float = number(7.5, 2.0, 18.0)  # the dwell aims at this peak current
    clamp_v: float = number(400.0, 250.0, 550.0)
    clamp_share: float = number(0.3, 0.0, 1.0)  # of the peak current, as the clamp is reached
    fall_us: float = number(3.0, 0.2, 120.0)  # current fall time; long: soft switch-off
    collector_nf: float = number(2.0, 0.1, 100.0)  # capacity across the driver; rings with the leak
    collector_q: float = number(5.0, 1.0, 40.0)  # quality of that ringing
    winding_pf: float = number(25.0, 5.0, 120.0)  # part of secondary_pf before a blocking diode
    diode: bool = False  # in the secondary: lets nothing through while the coil charges
    ring_q: float = number(6.0, 1.0, 30.0)  # quality of the open secondary's oscillation
    gap_mm: float = number(0.9, 0.3, 2.0)
    rotor_gap_kv: float = number(0.0, 0.0, 5.0)  # distributor
    breakdown_spread: float = number(0.06, 0.0, 0.3)
    strikes: int = number(1, 1, 8)  # sparks a firing below strike_rpm
    strike_rpm: float = number(1200.0, 0.0, 3000.0)
    strike_ms: float = number(0.7, 0.2, 3.0)  # how long each but the last may burn

    def __post_init__(self) -> None:
        """Check ranges."""
        check_fields(self, "coil")

    @property
    def handover_us(self) -> float:
        """Time in which the current goes over to the secondary: the driver's and the leakage's.

        L I / V (textbook) at the driver's clamp.
        """
        henry = self.leak * self.primary_mh * 1e-3
        return math.hypot(self.fall_us, 1e6 * henry * self.target_a / (self.clamp_v - 14.0))


@dataclass(frozen=True, slots=True)
class DriveModel:
    """What the vehicle does during the recording."""

    condition: str = choice("idle", CONDITIONS)
    gear_ratio: float = number(6.0, 2.0, 20.0)  # engine turns a wheel turn, in the gear used
    vehicle_kg: float = number(1300.0, 100.0, 4000.0)
    spring_hz: float = number(4.0, 2.0, 8.0)  # driveline swing in gear
    spring_damping: float = number(0.08, 0.02, 0.4)
    cruise_rpm: float = number(2000.0, 900.0, 6500.0)
    load: float = number(0.5, 0.0, 1.0)  # how hard the accelerations are
    road_noise_nm: float = number(2.0, 0.0, 400.0)  # at the crank, 1 sigma
    road_low_hz: float = number(1.0, 0.2, 10.0)
    road_high_hz: float = number(12.0, 2.0, 40.0)
    compressor_nm: float = number(0.0, 0.0, 30.0)
    compressor_s: float = number(6.0, 1.0, 60.0)  # time between its steps
    blip_s: float = number(0.0, 0.0, 60.0)  # time between throttle blips in neutral; 0: none
    shift_s: float = number(0.0, 0.0, 60.0)  # time between gear shifts while driving; 0: none
    accessory_nm: float = number(4.0, 0.0, 40.0)
    coolant_c: float = number(85.0, -20.0, 105.0)
    battery_v: float = number(14.1, 9.0, 15.0)  # alternator running
    cranking_v: float = number(10.5, 6.0, 12.0)
    starter_rpm: float = number(230.0, 100.0, 400.0)

    def __post_init__(self) -> None:
        """Check ranges."""
        check_fields(self, "drive")
        if self.road_low_hz >= self.road_high_hz:
            raise ParameterError("drive.road_low_hz: must be below road_high_hz")


@dataclass(frozen=True, slots=True)
class FaultModel:
    """One fault. `cylinder` is 0 for `crank_signal`; a shared coil's fault names one of its own."""

    type: str = choice("mixture", FAULT_TYPES)
    kind: str = ""
    cylinder: int = number(1, 0, 12)
    severity: float = number(1.0, 0.0, 1.0)
    rate: float = number(1.0, 0.0, 1.0)  # share of the firings in which it is at work
    pattern: str = choice("always", PATTERNS)

    def __post_init__(self) -> None:
        """Check ranges; take the first kind where none is named."""
        check_fields(self, "fault")
        kinds = FAULT_KINDS[self.type]
        if not self.kind:
            object.__setattr__(self, "kind", kinds[0])
        if self.kind not in kinds:
            raise ParameterError(
                f"fault.kind: {self.type} is one of {', '.join(kinds)}, got {self.kind!r}"
            )
        if (self.cylinder == 0) != (self.type == "crank_signal"):
            raise ParameterError(
                "fault.cylinder: 0 for crank_signal, a cylinder's number for all else"
            )


@dataclass(frozen=True, slots=True)
class ChannelModel:
    """One channel: where it is clipped on, and what the probe and the instrument do to it."""

    role: str = choice("coil_primary", ROLES)
    cylinders: tuple[int, ...] = ()
    name: str = ""
    instrument: int = number(0, 0, 1)
    range: float = number(400.0, 0.01, 1e5)  # full scale either way, in the channel's unit
    noise: float = number(0.002, 0.0, 0.2)  # 1 sigma, share of the range
    hum: float = number(0.0, 0.0, 0.1)  # mains, share of the range
    bandwidth_hz: float = number(0.0, 0.0, 1e7)  # first-order low pass; 0: wider than the rate
    zero: float = number(0.0, -0.5, 0.5)  # offset, share of the range
    drift: float = number(0.0, -0.2, 0.2)  # offset change from start to end, share of the range
    reversed: bool = False
    crosstalk: float = number(0.0, 0.0, 0.5)  # share of what the other coils do
    earth_v: float = number(0.0, -2.0, 2.0)  # bad earth: volts a coil on duty adds
    droop_ms: float = number(20.0, 0.5, 1000.0)  # capacitive pick-up only
    gain: float = number(1.0, 1e-4, 10.0)  # capacitive pick-up only: volts a kilovolt

    def __post_init__(self) -> None:
        """Check ranges."""
        check_fields(self, "channel")


@dataclass(frozen=True, slots=True)
class InstrumentModel:
    """One sampling instrument with a clock of its own."""

    rate_hz: float = number(200e3, 5e3, 2e6)
    bits: int = number(12, 8, 16)
    clock_ppm: float = number(0.0, -500.0, 500.0)
    start_s: float = number(0.0, -10.0, 10.0)  # its first sample, on the first one's clock

    def __post_init__(self) -> None:
        """Check ranges."""
        check_fields(self, "instrument")


@dataclass(frozen=True, slots=True)
class CardModel:
    """What the job card tells of the truth."""

    tdc: bool = True
    sensor: bool = True
    turns_ratio: bool = True
    cylinders: bool = True
    wheel: bool = True
    start: bool = False  # start_s of the second instrument


def _default_channels() -> tuple[ChannelModel, ...]:
    """Cylinder-1 primary, crank, and a clamp round the common feed."""
    return (
        ChannelModel(role="coil_primary", cylinders=(1,), name="primary 1", range=400.0),
        ChannelModel(role="crank", name="crank", range=20.0),
        ChannelModel(
            role="coil_current", name="coil feed", range=20.0, noise=0.003, bandwidth_hz=50e3
        ),
    )


@dataclass(frozen=True, slots=True)
class Scenario:
    """One vehicle and one recording; the same scenario gives the same bytes.

    `vehicle_seed` draws what stays with the vehicle, the errors of its wheel and the balance of its
    cylinders: two recordings of one vehicle share it and differ in `seed`. -1: drawn by `seed`.
    """

    seed: int = 0
    vehicle_seed: int = -1
    duration_s: float = number(20.0, 0.5, 600.0)
    vehicle: str = "simulated"
    note: str = ""
    format: Literal["wav", "h5", "csv", "npz"] = choice("wav", FORMATS)
    waves: Literal["circuit", "pieces"] = choice("circuit", WAVES)  # how coil channels are drawn
    engine: EngineModel = field(default_factory=EngineModel)
    crank_wheel: WheelModel = field(default_factory=WheelModel)
    cam: CamModel = field(default_factory=CamModel)
    coil: CoilModel = field(default_factory=CoilModel)
    pieces: PiecesModel = field(default_factory=PiecesModel)
    drive: DriveModel = field(default_factory=DriveModel)
    card: CardModel = field(default_factory=CardModel)
    instrument: tuple[InstrumentModel, ...] = (InstrumentModel(),)
    channel: tuple[ChannelModel, ...] = field(default_factory=_default_channels)
    fault: tuple[FaultModel, ...] = ()

    def make_vehicle_rng(self, part: int, drawn: np.random.Generator) -> np.random.Generator:
        """Give what draws a part of the vehicle; `drawn` where no vehicle is named."""
        if self.vehicle_seed < 0:
            return drawn
        return np.random.default_rng([self.vehicle_seed, part])

    def __post_init__(self) -> None:
        """Check what only the parts together can tell."""
        check_fields(self, "scenario")
        if isinstance(self.seed, bool) or not isinstance(self.seed, int) or self.seed < 0:
            raise ParameterError(f"scenario.seed: need a whole number from 0, got {self.seed!r}")
        vehicle = self.vehicle_seed
        if isinstance(vehicle, bool) or not isinstance(vehicle, int) or vehicle < -1:
            raise ParameterError(
                f"scenario.vehicle_seed: need a whole number from 0, or -1, got {vehicle!r}"
            )
        numbers = set(self.engine.firing_order)
        for i, fault in enumerate(self.fault, 1):
            if fault.cylinder and fault.cylinder not in numbers:
                raise ParameterError(
                    f"fault {i}: the engine has no cylinder {fault.cylinder}; it has "
                    f"{self.engine.cylinders}"
                )
        if not self.channel:
            raise ParameterError("channel: a scenario needs at least one [[channel]]")
        for i, channel in enumerate(self.channel, 1):
            if channel.instrument >= len(self.instrument):
                raise ParameterError(
                    f"channel {i}: instrument {channel.instrument} is not there; "
                    f"{len(self.instrument)} given, counted from 0"
                )
            if not set(channel.cylinders) <= numbers:
                raise ParameterError(
                    f"channel {i}: cylinders {list(channel.cylinders)} not all there"
                )
        if self.engine.ignition == "distributor" and self.coil.strikes > 1:
            raise ParameterError("coil.strikes: more than 1 is not modelled on a distributor")
