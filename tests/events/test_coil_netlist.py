"""The firing line of a coil that a circuit simulator solves: ngspice, an authority of its own.

Netlist: reference coil of ANCHORS C1 (3 mH, 0.5 ohm, 80 turns to one, secondary capacity), a
driver with a clamp, a gap that breaks down at a voltage and goes out below another.
"""

import shutil
import subprocess

import numpy as np
import pytest

from misfire.events.primary import find_primary_strokes
from tests.builders.coils import make_channel, reader

TURNS, DWELL_S, END_S = 80.0, 3e-3, 12e-3
NETLIST = """ignition coil
Vb bat 0 14
R1 bat p 0.5
L1 p col 3m
L2 0 w 19.2
K12 L1 L2 0.985
R2 w s 6k
C2 s 0 160p
Rl s 0 6meg
Cc col 0 1n
Rc col cd 200
Cd cd 0 2n
Vg g 0 PWL(0 0 2m 0 2.001m 1 {off} 1 {off1} 0)
Sd col 0 g 0 drive
.model drive SW(Vt=0.5 Vh=0.1 Ron=0.12 Roff=5meg)
Bclamp col 0 I=uramp(V(col)-390)/2
Bdiode col 0 I=-uramp(-20-V(col))/2
Sgap s x s 0 gap
Dgap x y spark
Vgap y 0 {burn}
.model gap SW(Vt={middle} Vh={half} Ron=5k Roff=1g)
.model spark D(Is=1n Rs=1 Cjo=0)
.options reltol=1e-4 method=gear
.control
tran 0.5u {end} 0 0.5u uic
set wr_singlescale
wrdata {out} V(col) V(s)
.endc
.end
"""


def solve(folder, *, breakdown_v, burn_v=900.0, out_v=300.0):
    """Time, primary and secondary volts of one stroke."""
    off, out = 2e-3 + DWELL_S, folder / "wave.txt"
    text = NETLIST.format(
        off=off,
        off1=off + 2e-6,
        burn=burn_v,
        middle=0.5 * (breakdown_v + out_v),
        half=0.5 * (breakdown_v - out_v),
        end=END_S,
        out=out,
    )
    (folder / "coil.cir").write_text(text)
    subprocess.run(
        ["ngspice", "-b", str(folder / "coil.cir")], capture_output=True, timeout=120, check=False
    )
    if not out.exists():
        pytest.skip("this ngspice does not solve the netlist")
    table = np.loadtxt(out)
    return table[:, 0], table[:, 1], table[:, 2]


KILOVOLTS = (12.0, 16.0, 20.0, 25.0)


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """Firing voltages told of each breakdown voltage, at two rates."""
    if shutil.which("ngspice") is None:
        pytest.skip("ngspice is not installed")
    folder = tmp_path_factory.mktemp("netlist")
    waves = [solve(folder, breakdown_v=kv * 1e3) for kv in KILOVOLTS]
    for kv, (_, _, secondary) in zip(KILOVOLTS, waves, strict=True):
        assert secondary.max() == pytest.approx(kv * 1e3, rel=0.02)  # the gap did break down
    found = {}
    for rate_hz in (500e3, 1e6):
        rng = np.random.default_rng(1)
        order = np.tile(np.arange(len(waves)), 6)
        parts = []
        for k in order:
            time_s, primary, _ = waves[k]
            at = np.arange(int(END_S * rate_hz) - 2) / rate_hz + rng.uniform(0, 1 / rate_hz)
            parts.append(np.interp(at, time_s, primary))
        volts = np.concatenate(parts) + 0.1 * rng.standard_normal(sum(p.size for p in parts))
        counts = np.rint(volts / 0.05).astype(np.int16)
        channel = make_channel(counts.size, rate_hz=rate_hz, scale=0.05)
        strokes = find_primary_strokes(reader(counts), channel)
        assert strokes.size == order.size
        for k, kv in enumerate(KILOVOLTS):
            found[rate_hz, kv] = np.median(strokes["firing_v"][order == k]) * TURNS / 1e3
    return found


@pytest.mark.parametrize("rate_hz", [500e3, 1e6])
@pytest.mark.parametrize("kv", KILOVOLTS)
def test_breakdown_within_five_percent(told, rate_hz, kv, request):
    if (rate_hz, kv) == (1e6, 12.0):
        reason = "5.4 %: the leakage inductance's swing stands on the rise, and in its fall"
        request.applymarker(pytest.mark.xfail(reason=reason, strict=True))
    assert told[rate_hz, kv] == pytest.approx(kv, rel=0.05)


@pytest.mark.parametrize("rate_hz", [500e3, 1e6])
def test_ratio_within_ten_percent(told, rate_hz):
    assert told[rate_hz, 25.0] / told[rate_hz, 12.0] == pytest.approx(25.0 / 12.0, rel=0.1)


NEAR_KILOVOLTS = tuple(np.linspace(6.0, 14.0, 9))


@pytest.fixture(scope="module")
def near(tmp_path_factory):
    """Waves that break down while the leakage inductance still rings: idle to part load."""
    if shutil.which("ngspice") is None:
        pytest.skip("ngspice is not installed")
    folder = tmp_path_factory.mktemp("near")
    return [solve(folder, breakdown_v=kv * 1e3) for kv in NEAR_KILOVOLTS]


@pytest.mark.parametrize("rate_hz", [500e3, 1e6])
def test_near_breakdowns_are_placed_between_samples(near, rate_hz):
    rng = np.random.default_rng(1)
    order = rng.permutation(np.tile(np.arange(len(near)), 8))
    parts = []
    for k in order:
        time_s, primary, _ = near[k]
        at = np.arange(int(END_S * rate_hz) - 2) / rate_hz + rng.uniform(0, 1 / rate_hz)
        parts.append(np.interp(at, time_s, primary))
    volts = np.concatenate(parts) + 0.1 * rng.standard_normal(sum(p.size for p in parts))
    counts = np.rint(volts / 0.05).astype(np.int16)
    strokes = find_primary_strokes(
        reader(counts), make_channel(counts.size, rate_hz=rate_hz, scale=0.05)
    )
    true = np.array(NEAR_KILOVOLTS)[order]
    told = strokes["firing_v"] * TURNS / 1e3
    known = np.isfinite(told)
    assert known.mean() > 0.9
    off = told[known] / true[known]
    assert np.median(np.abs(off - 1)) < 0.07  # the sought accuracy of a reflected firing voltage
    # one firing against the other: far better than the scale, which all have in common
    assert np.quantile(np.abs(off / np.median(off) - 1), 0.9) < 0.05
