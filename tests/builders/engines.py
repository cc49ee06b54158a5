"""Engines made in the test: firing orders, sparks on a turning crank, speed from known torque.

Independent of the package: the angle comes from integrating an energy, not from its formulas.
"""

from dataclasses import dataclass, field

import numpy as np

from misfire.records import CrankTrack, CrankWheel, Engine
from tests.builders.wheels import GAPS, ONE_MORE, SEVERAL, tooth_offsets

# ANCHORS D: firing orders of handbook tables (3 to 6 cylinders and the first V8 and V6 read, the
# other V8, V10 and V12 from memory)
ORDERS = (
    (1, 2, 3),
    (1, 3, 2),
    (1, 3, 4, 2),
    (1, 2, 4, 3),
    (1, 2, 4, 5, 3),
    (1, 5, 3, 6, 2, 4),
    (1, 6, 5, 4, 3, 2),
    (1, 8, 4, 3, 6, 5, 7, 2),
    (1, 3, 7, 2, 6, 5, 4, 8),
    (1, 5, 4, 2, 6, 3, 7, 8),
    (1, 5, 4, 8, 6, 3, 7, 2),
    (1, 6, 5, 10, 2, 7, 3, 8, 4, 9),
    (1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10),
)
# ANCHORS D: 720 / Z
INTERVALS_DEG = {3: 240, 4: 180, 5: 144, 6: 120, 8: 90, 10: 72, 12: 60}


def make_engine(order=(1, 3, 4, 2), *, ignition="coil_on_plug", angles=(), **more):
    """Give an engine with this firing order."""
    return Engine(len(order), tuple(order), ignition, firing_angles_deg=tuple(angles), **more)


def make_wheel(name="60-2", *, tdc_deg=None):
    """Give the card's wheel."""
    positions, gaps = (GAPS | SEVERAL | ONE_MORE)[name]
    return CrankWheel(positions, gaps, tdc_deg)


def make_track(time_s, angle_deg, *, name="60-2", tdc_deg=None, stretch=None, **more):
    """Give a track through teeth whose angles are known."""
    if stretch is None:
        stretch = np.zeros(time_s.size, np.int32)
    return CrankTrack(time_s, angle_deg, stretch, make_wheel(name, tdc_deg=tdc_deg), **more)


@dataclass(frozen=True)
class Firing:
    """One power stroke that should have happened: the truth."""

    cycle: int
    cylinder: int
    tdc_deg: float
    advance_deg: float
    time_s: float  # of the spark


def list_firings(crank, engine, *, tdc_deg, advance_deg=(10.0, 30.0), seed=1):
    """Every firing that a crank passes, sparks wandering slowly between two advances.

    `tdc_deg` [0..720): angle of compression TDC of firing_order[0]; the crank needs `time_s` and
    `angle_deg` arrays.
    """
    rng = np.random.default_rng(seed)
    low, high = advance_deg
    rows = []
    for cycle in range(int(crank.angle_deg[0] // 720.0) - 1, int(crank.angle_deg[-1] // 720.0) + 2):
        middle = (low + high) / 2 + (high - low) / 2 * np.sin(cycle / 7.0)
        for cylinder, offset in zip(engine.firing_order, engine.firing_angles_deg, strict=True):
            advance = float(np.clip(middle + rng.normal(0.0, 0.7), low, high))
            rows.append((cycle, cylinder, tdc_deg + offset + 720.0 * cycle, advance))
    at = np.array([tdc - advance for _, _, tdc, advance in rows])
    time_s = time_of(crank, at)
    inside = (at > crank.angle_deg[0]) & (at < crank.angle_deg[-1])
    found = [Firing(*row, float(t)) for row, t, k in zip(rows, time_s, inside, strict=True) if k]
    return sorted(found, key=lambda f: f.time_s)


def time_of(crank, angle_deg):
    """Instants at which a crank with `time_s` and `angle_deg` arrays passes given angles."""
    rising = np.concatenate(([True], np.diff(crank.angle_deg) > 0))
    return np.interp(angle_deg, crank.angle_deg[rising], crank.time_s[rising])


def spark_times(firings, cylinders=None):
    """Instants of the sparks of some cylinders, all of them by default."""
    return np.array(
        [f.time_s for f in firings if cylinders is None or f.cylinder in cylinders], float
    )


BURN_DEG = 140.0  # gas has done its work when the exhaust valve opens, common practice


def done_share(after_tdc_deg):
    """Share of a combustion's work that is done some angle after TDC: half of it by 60 degrees."""
    return np.sin(np.pi / 2 * np.clip(after_tdc_deg / BURN_DEG, 0.0, 1.0) ** 0.85) ** 2


@dataclass
class TorqueEngine:
    """An engine whose speed follows from energy: d(omega^2/2)/d(angle) = torque / inertia.

    Energies are per inertia, in 1/s^2. Each combustion adds `work` (times `scale(cycle)`, with a
    scatter of `cov`) over `BURN_DEG` after its TDC, half of it by 60 degrees; compression takes and
    gives back `compression` around each TDC; the load takes the mean of it all, and a governor
    pulls the speed back within some `recovery_cycles`. `lost` holds (cycle, cylinder) without
    combustion; `weak` the share of its work that a cylinder gives; `leak` the share of its
    compression.
    """

    engine: Engine
    rpm: float = 800.0
    n_cycles: int = 120
    work: float = 530.0  # 80 J at 0.15 kg m2: ANCHORS D, 0.4 l at 2 bar
    cov: float = 0.05
    compression: float = 400.0
    recovery_cycles: float = 10.0
    tdc_deg: float = 84.0
    wheel: str = "60-2"
    lost: tuple = ()
    weak: dict = field(default_factory=dict)
    leak: dict = field(default_factory=dict)
    scale: object = None  # of all combustions, by cycle; the load follows the mean of it
    drag: float = 0.0  # of the load that remains when nothing burns
    target_rpm: object = None  # governed speed by cycle; default: rpm
    pitch_error_deg: float = 0.0
    twist_deg: float = 0.0  # of the front end against the flywheel, in one of a hundred instants
    twist_hz: float = 250.0  # first torsional mode, damped by a twenty-fifth
    seed: int = 1
    step_deg: float = 0.5

    def __post_init__(self):
        """Integrate once."""
        rng = np.random.default_rng(self.seed)
        angle = np.arange(0.0, 720.0 * self.n_cycles, self.step_deg)
        cycle = (angle - self.tdc_deg) / 720.0
        power = np.zeros(angle.size)
        ripple = np.zeros(angle.size)
        twist = np.zeros(angle.size)
        for number in range(-1, self.n_cycles + 1):
            for cylinder, offset in zip(
                self.engine.firing_order, self.engine.firing_angles_deg, strict=True
            ):
                tdc = self.tdc_deg + 720.0 * number + offset
                work = self.work * self.weak.get(cylinder, 1.0) * (1 + self.cov * rng.normal())
                work *= 1.0 if self.scale is None else float(self.scale(number + offset / 720.0))
                if (number, cylinder) in self.lost:
                    work = 0.0
                lo, hi = np.searchsorted(angle, [tdc, tdc + BURN_DEG + self.step_deg])
                done = np.diff(done_share(angle[lo : hi + 1] - tdc))
                power[lo : lo + done.size] += work * done / self.step_deg
                # its throw stands so far from the flywheel; vees have two cylinders to a throw
                throws = self.engine.cylinders // (2 if self.engine.cylinders >= 8 else 1)
                far = (throws - (cylinder - 1) % throws - 0.5) / throws
                twist[lo : lo + done.size] += far * work * done / self.step_deg
                near = slice(*np.searchsorted(angle, [tdc - 150.0, tdc + 150.0]))
                hill = np.exp(-(((angle[near] - tdc) / 40.0) ** 2))
                pull = self.compression * self.leak.get(cylinder, 1.0) * hill
                ripple[near] -= pull
                twist[near] += far * pull * 2.0 * (angle[near] - tdc) / 40.0**2
        shares = [self.weak.get(c, 1.0) for c in self.engine.firing_order]
        mean = self.work * sum(shares) / 720.0
        burning = np.ones(angle.size) if self.scale is None else self._scales(cycle)
        load = mean * np.maximum(burning, self.drag)
        aim = np.full(angle.size, self.rpm) if self.target_rpm is None else self._targets(cycle)
        target = (aim * np.pi / 30.0) ** 2 / 2.0
        energy = self._govern(power - load, target) + ripple
        if energy.min() <= 0:
            raise ValueError("this engine stalls")
        omega = np.rad2deg(np.sqrt(2.0 * energy))
        slow = 1.0 / omega
        self.angle_deg = angle
        self.time_s = np.concatenate(([0.0], np.cumsum((slow[1:] + slow[:-1]) / 2 * self.step_deg)))
        self._rng = rng
        if self.twist_deg:
            self._twist(twist)

    def _twist(self, torque):
        """Let the sensor's end of the crank swing against the flywheel: a damped second order."""
        from scipy.signal import bilinear, lfilter

        rate_hz, omega = 50_000.0, 2 * np.pi * self.twist_hz
        at_s = np.arange(self.time_s[0], self.time_s[-1], 1 / rate_hz)
        turned = lfilter(
            *bilinear([omega**2], [1.0, 0.08 * omega, omega**2], rate_hz),
            np.interp(at_s, self.time_s, torque - torque.mean()),
        )
        turned *= self.twist_deg / np.percentile(np.abs(turned), 99)
        seen = np.maximum.accumulate(np.interp(at_s, self.time_s, self.angle_deg) + turned)
        self.time_s = np.interp(self.angle_deg, seen, at_s)

    def _scales(self, cycle):
        """Share of the combustions' work the load is set for, smoothed over a cycle."""
        raw = np.array([float(self.scale(c)) for c in cycle[:: int(60 / self.step_deg)]])
        return np.interp(cycle, cycle[:: int(60 / self.step_deg)], raw)

    def _targets(self, cycle):
        """Governed speed at each grid point."""
        return np.array([float(self.target_rpm(c)) for c in cycle])

    def _govern(self, gain, target):
        """Energy under a torque and a governor: first-order recursion along the angle."""
        from scipy.signal import lfilter

        pull = self.step_deg / (720.0 * self.recovery_cycles)
        drive = gain * self.step_deg + pull * target
        state = target[0] * (1.0 - pull)
        energy, _ = lfilter([1.0], [1.0, pull - 1.0], drive, zi=[state])
        return energy

    def teeth(self):
        """Instants of the teeth and the angles the wheel claims for them."""
        positions, gaps = (GAPS | SEVERAL | ONE_MORE)[self.wheel]
        offsets = np.array(tooth_offsets(positions, gaps)) * (360.0 / positions)
        error = np.random.default_rng(99).normal(0.0, self.pitch_error_deg, offsets.size)
        turns = np.arange(int(self.angle_deg[-1] // 360.0))[:, None] * 360.0
        claimed, true = (turns + offsets).ravel(), (turns + offsets + error).ravel()
        keep = (true > self.angle_deg[0]) & (true < self.angle_deg[-1])
        return np.interp(true[keep], self.angle_deg, self.time_s), claimed[keep]

    def track(self):
        """Give the track through the teeth, TDC known within the revolution."""
        return make_track(*self.teeth(), name=self.wheel, tdc_deg=self.tdc_deg % 360.0)
