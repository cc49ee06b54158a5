"""The coil's closed forms against a circuit simulator solving the coupled circuit itself."""

import math
import shutil
import subprocess

import numpy as np
import pytest

from misfire.simulate.engine.coil import Circuit, Gap, compute_secondary, solve_discharge

NGSPICE = shutil.which("ngspice")
pytestmark = pytest.mark.skipif(NGSPICE is None, reason="ngspice is not installed")

# reference coil of the checks: 3 mH, 0.5 ohm, 80 turns a turn
CIRCUIT = Circuit(
    supply_v=14.0,
    primary_h=3e-3,
    primary_ohm=0.5,
    turns_ratio=80.0,
    saturation_v=0.0,
    limit_a=50.0,
    clamp_v=400.0,
    fall_s=0.0,
    efficiency=1.0,
    capacitance_f=75e-12,
    series_ohm=10e3,
    loss_ohm=4e6,
)
DWELL_S = 1.871e-3

NETLIST = """ignition coil
vb bat 0 14
rp bat p1 0.5
l1 p1 prim 3m
l2 0 sec 19.2
k1 l1 l2 0.9999
cp prim 0 200p
s1 prim 0 gate 0 driver
dclamp 0 prim zener
vg gate 0 pulse(0 5 0 10n 10n {dwell} 1)
csec sec 0 75p
rloss sec 0 4meg
{gap}
.model driver sw(vt=2.5 vh=0.1 ron=1m roff=100meg)
.model zener d(bv=400 ibv=1m rs=0.1)
.model jump sw(vt={middle} vh={half} ron=10k roff=1e12)
.model oneway d(n=0.05)
.options reltol=1e-4 method=gear
.control
tran 0.5u 6m 0 0.5u
set wr_vecnames
set wr_singlescale
wrdata {out} v(prim) v(sec) i(l1) i(vburn)
quit 0
.endc
.end
"""


def run_circuit(folder, *, breakdown_v, burn_v):
    """Solve the circuit; the gap is a switch with hysteresis, a diode and a voltage source."""
    out = folder / "out.txt"
    gap = f"s2 sec gap sec 0 jump\nd1 gap glow oneway\nvburn glow 0 {burn_v}\n"
    low = 0.5 * burn_v
    deck = folder / "coil.cir"
    deck.write_text(
        NETLIST.format(
            dwell=DWELL_S,
            gap=gap,
            out=out,
            middle=(breakdown_v + low) / 2,
            half=(breakdown_v - low) / 2,
        )
    )
    subprocess.run([NGSPICE, "-b", str(deck)], check=True, capture_output=True, timeout=120)
    table = np.loadtxt(out, skiprows=1)
    names = ("time", "prim", "sec", "coil", "glow")
    return dict(zip(names, table[:, :5].T, strict=True))


def test_peak_breakdown_and_burn(tmp_path):
    """Peak current, time to breakdown and burn time within 5 per cent."""
    solved = run_circuit(tmp_path, breakdown_v=12e3, burn_v=1000.0)
    mine = solve_discharge(CIRCUIT, Gap(12e3, 1000.0, 0.0, hold_a=0.0), dwell_s=DWELL_S)
    time, glow = solved["time"], np.abs(solved["glow"])
    peak = abs(np.interp(DWELL_S - 1e-6, time, solved["coil"]))
    assert mine.peak_a == pytest.approx(peak, rel=0.05)
    burning = time[glow > 2e-4]
    start, stop = burning[0], burning[-1]
    assert mine.breakdown_s == pytest.approx(start - DWELL_S, rel=0.05, abs=1e-6)
    assert mine.burn_s == pytest.approx(stop - start, rel=0.05)
    assert mine.burn_a == pytest.approx(glow[np.searchsorted(time, start + 20e-6)], rel=0.05)
    middle = np.array([mine.breakdown_s + mine.burn_s / 2])
    level = abs(solved["prim"][np.searchsorted(time, DWELL_S + middle[0])])
    seen = 14.0 + compute_secondary(mine, middle)[0] / 80.0
    assert seen == pytest.approx(level, rel=0.05)


def test_clamp_level_and_ring(tmp_path):
    """An open circuit stands at the driver's clamp, then rings at the secondary's frequency."""
    solved = run_circuit(tmp_path, breakdown_v=1e6, burn_v=1000.0)
    mine = solve_discharge(CIRCUIT, Gap(math.inf, 1000.0, 0.0), dwell_s=DWELL_S)
    assert mine.burn_s == 0.0
    time, prim = solved["time"], solved["prim"]
    assert prim.max() == pytest.approx(14.0 + mine.highest_v / 80.0, rel=0.05)
    assert prim.max() == pytest.approx(CIRCUIT.clamp_v, rel=0.02)
    lifted = np.abs(solved["sec"])  # the primary is there at once, with its leakage energy
    high = time[lifted > 0.98 * lifted.max()]
    assert mine.ceiling_start_s == pytest.approx(high[0] - DWELL_S, rel=0.1)
    held = high[high < high[0] + 500e-6]
    assert mine.ceiling_stop_s == pytest.approx(held[-1] - DWELL_S, rel=0.1)
    # frequency of the free secondary: 1 / (2 pi sqrt(L C))
    sec = solved["sec"] * np.sign(solved["sec"][np.argmax(np.abs(solved["sec"]))])
    after = time > DWELL_S + mine.ceiling_stop_s
    rising = np.flatnonzero((sec[:-1] < 0) & (sec[1:] >= 0) & after[1:])
    period = np.diff(time[rising])[1:4].mean()
    assert 2 * math.pi / mine.omega == pytest.approx(period, rel=0.05)
