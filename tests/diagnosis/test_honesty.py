"""What no cylinder is blamed for: channels gone blind, the whole engine cut, sparks out of place.

The expectations are the situations themselves: who really fired is known, as it was laid out here.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from misfire.diagnosis.enginerivals import list_engine_rivals
from misfire.diagnosis.hookuprivals import list_hookup_rivals
from misfire.diagnosis.rivals import compete
from misfire.features.torque import make_no_torque
from misfire.fitness.sparks import check_spark_places
from misfire.measuring.blindness import find_blind
from misfire.measuring.faintness import clear_faint_sparks, describe_faint, find_faint
from misfire.records import (
    FAULT_TYPES,
    STROKE_FIELDS,
    STROKE_FLAGS,
    Channel,
    CrankTrack,
    CrankWheel,
    Engine,
    Finding,
    Firings,
    StrokeTrain,
)

ORDER = (1, 3, 4, 2)
RPM = 900.0
RATE_HZ = 50e3
N_CYCLES = 60
SUPPLY, SCALE = 1400, 0.01  # counts; volts a count


def make_engine(ignition="coil_on_plug", order=ORDER, angles=()):
    return Engine(len(order), order, ignition, firing_angles_deg=angles)


def make_firings(engine=None, advance=10.0):
    """Lay out a steady engine's firings, all of them seen."""
    engine = engine or make_engine()
    n = engine.cylinders * N_CYCLES
    cycle = np.repeat(np.arange(N_CYCLES), engine.cylinders)
    tdc = 720.0 * cycle + np.tile(engine.firing_angles_deg, N_CYCLES) + 720.0
    tdc_s = tdc / (6.0 * RPM)
    advance = np.broadcast_to(np.asarray(advance, float), (n,)).copy()
    return Firings(
        cycle=cycle,
        cylinder=np.tile(engine.firing_order, N_CYCLES),
        tdc_angle_deg=tdc,
        tdc_s=tdc_s,
        spark_s=tdc_s - advance / (6.0 * RPM),
        seen=np.ones(n, bool),
        advance_deg=advance,
        rpm=np.full(n, RPM),
        stretch=np.zeros(n, np.int32),
        strikes=np.ones(n, np.int64),
        stroke_index={},
        resolved=True,
        mates={},
        tdc_deg=0.0,
        tdc_known=True,
    )


def make_train(firings, cylinder, seen):
    """Make the channel of one cylinder's coil, which shows a stroke where `seen`."""
    own = np.flatnonzero(firings.cylinder == cylinder)
    rows = own[seen]
    strokes = np.zeros(rows.size, STROKE_FIELDS)
    strokes["stop_s"], strokes["battery_v"] = firings.spark_s[rows], SUPPLY * SCALE
    name = f"primary {cylinder}"
    index = np.full(firings.cylinder.size, -1)
    index[rows] = np.arange(rows.size)
    firings.stroke_index[name] = index
    n_samples = int((firings.spark_s[-1] + 1.0) * RATE_HZ)
    channel = Channel(
        name=name,
        role="coil_primary",
        cylinders=(cylinder,),
        unit="V",
        rate_hz=RATE_HZ,
        n_samples=n_samples,
        start_s=0.0,
        scale=SCALE,
        offset=0.0,
    )
    return StrokeTrain(channel, strokes)


COMBUSTION = 530.0  # [1/s^2]: 80 J at 0.15 kg m2, twice, handbook figures


def make_torque(firings, deficit, noise=30.0):
    """Make a torque table in which each firing misses `deficit` [1/s^2]."""
    nothing = make_no_torque(firings.cylinder.size)
    ones = np.ones(firings.cylinder.size)
    return replace(
        nothing,
        deficit=deficit,
        deficit_z=deficit / noise,
        lack=deficit / COMBUSTION,
        lack_sigma=noise / COMBUSTION * ones,
        level=500.0 * ones,
        noise=noise * ones,
    )


def make_recording(level_of=lambda time_s: SUPPLY, noise=5.0):
    """Make a recording whose channels rest on a level that may change with time."""
    rng = np.random.default_rng(1)

    def read(name, start, stop):
        t = np.arange(start, stop) / RATE_HZ
        level = np.vectorize(level_of, otypes=[float])(t)
        shake = rng.normal(0, noise, t.size) if np.ndim(noise) == 0 else 0
        return np.rint(level + shake).astype(np.int16)

    return SimpleNamespace(read=read)


def in_stretch(first, last):
    seen = np.ones(N_CYCLES, bool)
    seen[first:last] = False
    return seen


def judge_blind(recording, trains, firings, torque):
    blind, findings = find_blind(recording, trains, firings, torque, engine=make_engine())
    assert [f.code for f in findings] == ["dropout"] * len(blind)
    return {name: int(rows.sum()) for name, rows in blind.items()}


def test_a_cylinder_that_worked_was_fired():
    firings = make_firings()
    train = make_train(firings, 3, in_stretch(20, 40))
    torque = make_torque(firings, np.zeros(firings.cylinder.size))
    assert judge_blind(make_recording(), [train], firings, torque) == {"primary 3": 20}


def test_a_coil_that_stops_is_heard():
    firings = make_firings()
    seen = in_stretch(20, 40)
    train = make_train(firings, 3, seen)
    lack = np.zeros(firings.cylinder.size)
    # 80 J of one combustion at 0.15 kg m2: 530 1/s^2 (handbook figures, from memory)
    lack[np.flatnonzero(firings.cylinder == 3)[~seen]] = 80.0 / 0.15
    assert judge_blind(make_recording(), [train], firings, make_torque(firings, lack)) == {}


def test_a_rough_crank_clears_no_coil():
    firings = make_firings()
    train = make_train(firings, 3, in_stretch(20, 40))
    rough = make_torque(firings, np.zeros(firings.cylinder.size), noise=400.0)
    assert judge_blind(make_recording(), [train], firings, rough) == {}


def test_a_coil_that_never_switches_is_heard_without_a_crank():
    firings = make_firings()
    trains = [make_train(firings, c, np.full(N_CYCLES, c != 3)) for c in (1, 2, 3, 4)]
    torque = make_no_torque(firings.cylinder.size)
    assert judge_blind(make_recording(), trains, firings, torque) == {}


@pytest.mark.parametrize("level", [0, 700, 2300])
def test_a_primary_off_its_supply_is_not_heard(level):
    firings = make_firings()
    train = make_train(firings, 3, in_stretch(20, 40))
    own = firings.spark_s[firings.cylinder == 3]
    first, last = own[19] + 0.02, own[40] - 0.02
    recording = make_recording(lambda t: level if first < t < last else SUPPLY)
    torque = make_no_torque(firings.cylinder.size)
    assert judge_blind(recording, [train], firings, torque) == {"primary 3": 20}


def test_what_is_usual_is_read_once_for_all_stretches():
    n_read = []
    for gaps in ([(10, 16)], [(10, 16), (20, 26), (30, 36), (40, 46)]):
        firings, n = make_firings(), 0
        seen = np.logical_and.reduce([in_stretch(*gap) for gap in gaps])
        train = make_train(firings, 3, seen)
        own = firings.spark_s[firings.cylinder == 3]
        starts_s, stops_s = (own[[gap[i] - 1 for gap in gaps]] + 0.02 for i in (0, 1))
        dull = make_recording(
            lambda t, a=starts_s, b=stops_s: 0 if ((a < t) & (t < b)).any() else SUPPLY
        )

        def read(name, start, stop, dull=dull):
            nonlocal n
            n += 1
            return dull.read(name, start, stop)

        torque = make_no_torque(firings.cylinder.size)
        found = judge_blind(SimpleNamespace(read=read), [train], firings, torque)
        assert found == {"primary 3": 6 * len(gaps)}
        n_read.append(n)
    once, four = n_read
    assert 6 <= (four - once) / 3 <= 8  # places in one more stretch: six firings, eight at most


def test_coils_that_stop_together_have_one_cause():
    firings = make_firings()
    trains = [make_train(firings, c, in_stretch(20, 40)) for c in (1, 3)]
    trains.append(make_train(firings, 2, in_stretch(5, 12)))
    torque = make_no_torque(firings.cylinder.size)
    found = judge_blind(make_recording(), trains, firings, torque)
    assert found == {"primary 1": 20, "primary 3": 20}


WORK = 80.0 / 0.15  # of one combustion [1/s^2]: 80 J at 0.15 kg m2 (handbook figures, from memory)


def judge_faint(dark, lack, *, noise=30.0):
    """Count what stays dark: `dark[cylinder]` shows no spark line, `lack` is the torque missing."""
    firings = make_firings()
    trains = []
    for c, rows in dark.items():
        train = make_train(firings, c, ALWAYS)
        train.strokes["burn_time_ms"] = np.where(rows, 0.0, 1.5)
        train.strokes["flags"] = np.where(rows, STROKE_FLAGS["no_breakdown"], 0)
        trains.append(train)
    torque = make_torque(firings, lack(firings), noise)
    faint = find_faint(trains, firings, torque, engine=make_engine())
    assert [f.code for f in describe_faint(faint)] == ["faint_sparks"] * len(faint)
    left = {}
    for train in clear_faint_sparks(trains, firings, faint):
        no_line = train.strokes["burn_time_ms"] == 0
        assert (((train.strokes["flags"] & STROKE_FLAGS["no_breakdown"]) != 0) == no_line).all()
        left[train.channel.cylinders[0]] = int(no_line.sum())
    return left


def lack_at(cylinder, rows):
    def lack(firings):
        out = np.random.default_rng(4).normal(0, 30.0, firings.cylinder.size)
        out[np.flatnonzero(firings.cylinder == cylinder)[rows]] += WORK
        return out

    return lack


NO_ROWS = np.zeros(N_CYCLES, bool)


def test_a_cylinder_that_worked_had_its_spark():
    assert judge_faint({2: ~in_stretch(10, 30)}, lack_at(2, NO_ROWS)) == {2: 0}


def test_a_gap_that_did_not_break_down_stays():
    dark = ~in_stretch(10, 30)
    assert judge_faint({2: dark}, lack_at(2, dark)) == {2: 20}


def test_lost_firings_among_faint_ones_stay():
    assert judge_faint({2: ~in_stretch(10, 30)}, lack_at(2, ~in_stretch(15, 18))) == {2: 3}


def test_a_crank_too_rough_to_tell_clears_no_spark():
    assert judge_faint({2: ~in_stretch(10, 30)}, lack_at(2, NO_ROWS), noise=900.0) == {2: 20}


def test_few_faint_sparks_of_many_cylinders_count_together():
    few = ~in_stretch(10, 12)
    assert judge_faint({1: few}, lack_at(1, NO_ROWS)) == {1: 2}
    assert judge_faint({1: few, 2: few, 3: few}, lack_at(1, NO_ROWS)) == {1: 0, 2: 0, 3: 0}


def name_winner(evidence, probability, faulty, faults, outstanding, *, strained=False, usual=False):
    """Text of the rival that is likelier than faults of the suspects; empty where none is.

    `strained`: the sparks of the lost firings came late and burned only briefly; `usual`: all were
    seen, and as they should be.
    """
    suspects = [int(c) for c in np.flatnonzero(faulty >= 0.5) + 1]
    dark = STROKE_FLAGS["no_dwell"] | STROKE_FLAGS["no_breakdown"]
    bad = (evidence.strokes["flags"].astype(int) & dark) != 0
    if strained:
        bad |= probability > 0.5
    shown = np.full(bad.size, usual)
    rivals = list_engine_rivals(evidence, probability, suspects, faults, outstanding, bad, shown)
    rivals += list_hookup_rivals(evidence, probability, suspects, ())
    left, winner = compete(faulty, rivals)
    assert (left <= faulty).all()
    assert winner is None or (left < 0.5).all()
    return "" if winner is None else winner.text


def judge_common(
    lost,
    *,
    engine=None,
    fault="mixture",
    felt=None,
    flags=0,
    dropouts=(),
    cut=None,
    torque=8.0,
    strained=False,
    usual=False,
    suspects=None,
):
    """Judge an engine whose `lost[cylinder]` says firing by firing what was lost.

    `felt`: where `torque` spreads are missing, if not just there; `flags`: of the lost firings;
    `dropouts`: channels that were blind at other times; `cut`: cycles without fuel; `suspects`: the
    cylinders thought to be faulty, if not all that lose any.
    """
    engine = engine or make_engine()
    firings = make_firings(engine)
    probability = np.full(firings.cylinder.size, 0.002)
    faulty = np.full(engine.cylinders, 0.01)
    faults = np.zeros((engine.cylinders, len(FAULT_TYPES)))
    faults[:, FAULT_TYPES.index(fault)] = 1.0
    z = np.zeros(firings.cylinder.size)
    for c, rows in lost.items():
        probability[np.flatnonzero(firings.cylinder == c)[rows]] = 0.99
        faulty[c - 1] = 0.95 if suspects is None or c in suspects else 0.3
    for c, rows in (felt or lost).items():
        z[np.flatnonzero(firings.cylinder == c)[rows]] = torque
    level = np.zeros(firings.cylinder.size)
    if cut is not None:
        level[np.isin(firings.cycle, np.flatnonzero(cut))] = -20.0
    evidence = SimpleNamespace(
        has_crank=True,
        firing_table=pd.DataFrame({"torque_level_change": level}),
        recording=SimpleNamespace(job=SimpleNamespace(engine=engine), channels=()),
        firings=firings,
        strokes={"flags": np.where(probability > 0.5, flags, 0).astype(float)},
        torque=make_torque(firings, 30.0 * z),
        findings=[Finding("dropout", "warning", "", name) for name in dropouts],
        detected=SimpleNamespace(trains=[make_train(firings, c, ALWAYS) for c in lost]),
    )
    none = np.zeros(z.size, bool)
    return name_winner(evidence, probability, faulty, faults, none, strained=strained, usual=usual)


RNG = np.random.default_rng(3)
RARE = [RNG.random(N_CYCLES) < 0.2 for _ in range(4)]
ALWAYS = np.ones(N_CYCLES, bool)
SECOND_HALF = np.arange(N_CYCLES) > N_CYCLES // 2


def test_one_cylinder_is_no_common_cause():
    assert judge_common({3: RARE[0]}) == ""
    assert judge_common({3: ALWAYS}) == ""


def test_two_cylinders_with_faults_of_their_own_stay_accused():
    assert judge_common({1: RARE[0], 3: RARE[1]}) == ""  # neighbours in the firing order
    assert judge_common({1: RARE[0], 4: RARE[1]}) == ""  # every other one, each at its own times


def test_most_of_the_engine_is_one_cause():
    assert "1, 3, 4" in judge_common({1: RARE[0], 3: RARE[1], 4: RARE[2]})


def test_most_of_the_engine_is_one_cause_however_unlike_the_losses():
    few, many = ~in_stretch(10, 13), ~in_stretch(10, 30)
    assert "1, 2, 3, 4" in judge_common({1: many, 2: few, 3: few, 4: many})
    assert judge_common({1: ALWAYS, 2: few, 3: few}) == ""  # what one dead cylinder does to others


def test_a_few_losses_of_all_others_apart_from_the_worst_are_one_cause():
    cycle, at = np.arange(N_CYCLES), np.cumsum(np.random.default_rng(5).integers(4, 7, 12))
    often = np.isin(cycle, at)
    few = [np.isin(cycle, at[k : k + 3] + 2) for k in (0, 3, 6)]
    losses = {1: often, 2: few[0], 3: few[1], 4: few[2]}
    assert "1, 2, 3, 4" in judge_common(losses, suspects=(1,))
    assert judge_common({1: often, 2: few[0]}, suspects=(1,)) == ""  # two may each have a fault
    # right beside its losses they may be what those do to the strokes about them
    beside = {c: np.isin(cycle, at[3 * c - 6 : 3 * c - 3]) for c in (2, 3, 4)}
    assert "1, 2, 3, 4" not in judge_common({1: often, **beside}, suspects=(1,))


def test_strokes_that_stay_out_where_the_fuel_comes_back_are_no_fault():
    cycle = np.arange(N_CYCLES)
    cut, behind = cycle % 12 < 1, cycle % 12 == 1
    assert "when the fuel returns" in judge_common({3: behind}, cut=cut)
    assert judge_common({3: behind | (cycle == 18)}, cut=cut) == ""  # at steady load too
    assert judge_common({3: behind}) == ""
    dark = STROKE_FLAGS["no_breakdown"]
    assert judge_common({3: behind}, cut=cut, flags=dark) == ""  # fuel makes no spark


def test_every_other_cylinder_off_together_is_a_switch():
    assert "1, 4" in judge_common({1: SECOND_HALF, 4: SECOND_HALF})
    assert "1, 4" in judge_common({1: ALWAYS, 4: ALWAYS})


def test_losses_felt_in_all_cylinders_are_not_those_of_the_one_believed():
    every = {c: RARE[c - 1] for c in (1, 2, 3, 4)}
    assert judge_common({1: RARE[0]}, felt=every) != ""
    dark = STROKE_FLAGS["no_breakdown"]  # the sparks tell of a fault of its own
    assert judge_common({1: RARE[0]}, felt=every, flags=dark) == ""


def test_a_lead_that_came_off_before_accuses_no_coil():
    dead = STROKE_FLAGS["no_dwell"]
    nowhere = {3: NO_ROWS}  # no torque is missing
    assert judge_common({3: RARE[0]}, felt=nowhere, flags=dead) == ""
    told = judge_common({3: RARE[0]}, felt=nowhere, flags=dead, dropouts=["primary 3"])
    assert "check that lead" in told
    assert judge_common({3: RARE[0]}, flags=dead, dropouts=["primary 3"]) == ""  # torque is missing
    assert judge_common({3: RARE[0]}, felt=nowhere, flags=dead, dropouts=["primary 1"]) == ""


def test_a_coil_that_shows_nothing_from_one_moment_on_needs_a_second_witness():
    dead = STROKE_FLAGS["no_dwell"]
    unknown = {c: ALWAYS for c in (1, 2, 3, 4)}
    told = judge_common({3: SECOND_HALF}, felt=unknown, torque=np.nan, flags=dead)
    assert "from one moment on" in told
    assert judge_common({3: SECOND_HALF}, flags=dead) == ""  # torque is missing
    assert judge_common({3: RARE[0]}, felt=unknown, torque=np.nan, flags=dead) == ""
    assert judge_common({3: ALWAYS}, felt=unknown, torque=np.nan, flags=dead) == ""


def test_losses_in_company_are_not_those_of_one_cylinder():
    together = {c: RARE[0] for c in (1, 2, 3, 4)}  # in the same cycles, though its coil is blamed
    dark = STROKE_FLAGS["no_breakdown"]
    assert "neighbours" in judge_common({1: RARE[0]}, felt=together, flags=dark)
    echo = {1: RARE[0], 3: RARE[0]}  # a lost firing is felt in the next one
    assert judge_common({1: RARE[0]}, felt=echo, flags=dark) == ""


SIX = make_engine(order=(1, 5, 3, 6, 2, 4))


def test_three_cylinders_whose_sparks_show_nothing_have_one_cause():
    three = {1: RARE[0], 5: RARE[1], 3: RARE[2]}
    assert "1, 3, 5" in judge_common(three, engine=SIX)
    assert judge_common({1: RARE[0], 5: RARE[1]}, engine=SIX) == ""
    assert judge_common(three, engine=SIX, flags=STROKE_FLAGS["no_breakdown"]) == ""


def test_cylinders_evenly_spaced_are_rested():
    assert "1, 6" in judge_common({1: ALWAYS, 6: ALWAYS}, engine=SIX)
    assert judge_common({1: ALWAYS, 2: ALWAYS}, engine=SIX) == ""


def judge_usual(usual, *, flags=0, engine=None):
    """Judge an engine whose cylinders usually lack `usual` spreads of torque; 3 is suspected."""
    engine = engine or make_engine()
    n = engine.cylinders
    firings = make_firings(engine)
    z = np.array([usual.get(int(c), 0.0) for c in firings.cylinder])
    probability = np.where(firings.cylinder == 3, 0.99, 0.002)
    evidence = SimpleNamespace(
        has_crank=True,
        firing_table=pd.DataFrame({"torque_level_change": np.zeros(z.size)}),
        recording=SimpleNamespace(job=SimpleNamespace(engine=engine), channels=()),
        firings=firings,
        strokes={"flags": np.where(probability > 0.5, flags, 0).astype(float)},
        torque=make_torque(firings, 30.0 * z),
        findings=[],
        detected=SimpleNamespace(trains=[]),
    )
    faults = np.eye(len(FAULT_TYPES))[[FAULT_TYPES.index("low_compression")] * n]
    faulty = np.where(np.arange(n) == 2, 0.95, 0.01)
    return name_winner(evidence, probability, faulty, faults, np.zeros(z.size, bool))


def test_no_cylinder_works_far_more_than_the_others():
    assert judge_usual({3: 8.0, 1: -1.0, 4: -1.0, 2: -1.0}) == ""
    assert "cylinder 4 to give the same amount too much" in judge_usual({3: 8.0, 4: -7.0})
    assert judge_usual({3: 8.0, 4: -7.0}, flags=STROKE_FLAGS["no_breakdown"]) == ""


def test_a_wheel_error_is_there_in_both_turns():
    # 2 works 360 degrees from 3, at the same teeth: what they differ by is torque
    assert ORDER.index(2) - ORDER.index(3) == 2
    assert judge_usual({3: 8.0, 2: -7.0}) == ""
    twelve = make_engine(order=(1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10))
    # 8 is 360 degrees from 3; 6 fires 60 degrees before it... and 11 beside the weak one itself
    assert judge_usual({3: 8.0, 10: -7.0, 4: -6.0}, engine=twelve) == ""
    assert "cylinder 11 to give the same amount too much" in judge_usual(
        {3: 8.0, 11: -7.0}, engine=twelve
    )


def test_the_coil_of_a_pair_is_a_fault():
    pair = make_engine("wasted_spark")
    assert judge_common({1: ALWAYS, 4: ALWAYS}, engine=pair, fault="weak_coil") == ""
    assert judge_common({1: ALWAYS, 4: ALWAYS}, engine=pair, fault="mixture") != ""
    # seen to fire as it should in the very cycles that both lose: it is no coil's fault
    both = {1: SECOND_HALF, 4: SECOND_HALF}
    assert judge_common(both, engine=pair, fault="weak_coil") == ""
    assert "1, 4" in judge_common(both, engine=pair, fault="weak_coil", usual=True)
    each = {1: RARE[0], 4: RARE[1]}
    assert judge_common(each, engine=pair, fault="weak_coil", usual=True) == ""


def test_a_distributor_whose_sparks_fail_has_one_coil():
    engine = make_engine("distributor")
    alike = dict(enumerate(RARE, start=1))
    dark = STROKE_FLAGS["no_breakdown"]
    assert judge_common(alike, engine=engine, fault="weak_coil") == ""
    assert judge_common(alike, engine=engine, fault="open_secondary", flags=dark) == ""
    assert "one cause for the whole" in judge_common(alike, engine=engine, fault="open_secondary")
    # a worn rotor: the gap breaks down late and the spark burns briefly, no road and no cut does
    assert judge_common(alike, engine=engine, fault="open_secondary", strained=True) == ""
    assert "one cause for the whole" in judge_common(
        alike, engine=make_engine(), fault="open_secondary", flags=dark
    )


def judge_places(firings, engine, trains=()):
    last = firings.tdc_s[-1] + 0.2
    time_s = np.arange(0, last, 1 / (RPM / 60 * 60))  # 60 teeth a turn
    track = CrankTrack(
        time_s=time_s,
        angle_deg=time_s * 6.0 * RPM,
        stretch=np.zeros(time_s.size, np.int32),
        wheel=CrankWheel(positions=60, gaps=((59, 60),), tdc_deg=0.0),
    )
    return [f.code for f in check_spark_places(firings, trains, track, engine)]


def test_sparks_of_the_cards_engine_are_in_place():
    engine = make_engine()
    advance = 10 + 6 * np.sin(np.arange(4 * N_CYCLES))  # idle control, firing by firing
    firings = make_firings(engine, advance)
    trains = [make_train(firings, c, ALWAYS) for c in ORDER]
    assert judge_places(firings, engine, trains) == []


def test_cylinders_fired_at_different_advance_contradict_the_angles():
    firings = make_firings(make_engine(), np.tile([10.0, 40.0, 10.0, 40.0], N_CYCLES))
    assert judge_places(firings, make_engine()) == ["sparks_misplaced"]


def test_scattered_sparks_contradict_the_card():
    advance = np.random.default_rng(2).uniform(-20, 60, 4 * N_CYCLES)
    assert judge_places(make_firings(make_engine(), advance), make_engine()) == ["sparks_misplaced"]


def test_a_coil_that_fires_every_turn_is_no_coil_of_one_plug():
    engine = make_engine()
    firings = make_firings(engine)
    train = make_train(firings, 1, ALWAYS)
    between = train.strokes.copy()
    between["stop_s"] += 60.0 / RPM
    both = np.concatenate((train.strokes, between))
    both = StrokeTrain(train.channel, both)
    assert judge_places(firings, engine, [both]) == ["sparks_misplaced"]
    wasted = make_engine("wasted_spark")
    assert judge_places(make_firings(wasted), wasted, [both]) == []


def move_train(firings, train, cylinder):
    """Let a channel's coil fire where another cylinder does, so that no firing is its own."""
    strokes = train.strokes.copy()
    strokes["stop_s"] = firings.spark_s[firings.cylinder == cylinder]
    firings.stroke_index[train.channel.name][:] = -1
    return StrokeTrain(train.channel, strokes)


def test_a_coil_that_never_fires_at_its_cylinder_contradicts_the_card():
    engine = make_engine()
    firings = make_firings()
    astray = move_train(firings, make_train(firings, 1, ALWAYS), 3)
    assert judge_places(firings, engine, [astray]) == ["sparks_misplaced"]


def test_a_coil_that_only_hears_its_neighbour_contradicts_nothing():
    firings = make_firings()
    heard = move_train(firings, make_train(firings, 1, ALWAYS), 3)
    neighbour = make_train(firings, 3, ALWAYS)
    assert judge_places(firings, make_engine(), [heard, neighbour]) == []


def test_a_weak_cylinder_as_often_dark_as_the_others_had_its_spark():
    firings = make_firings()
    weak = np.where(firings.cylinder == 4, 130.0, 0.0)  # a quarter of a lost combustion
    some = ~in_stretch(10, 30)

    def lack(firings):
        return weak + np.random.default_rng(6).normal(0, 30.0, weak.size)

    assert judge_faint({4: some}, lack) == {4: 20}  # nothing shows that the channel is at its limit
    assert judge_faint({1: some, 2: some, 4: some}, lack) == {1: 0, 2: 0, 4: 0}
    often = ~in_stretch(2, 58)
    assert judge_faint({1: some, 2: some, 4: often}, lack) == {1: 0, 2: 0, 4: 56}


def test_a_common_channel_that_another_confirms_is_heard():
    firings = make_firings()
    cut = in_stretch(30, 33)  # all coils are cut for three cycles, as at a gear shift
    rows = np.flatnonzero(np.repeat(cut, 4))
    feed = StrokeTrain(
        replace(
            make_train(firings, 1, cut).channel, name="feed", role="coil_current", cylinders=()
        ),
        np.zeros(rows.size, STROKE_FIELDS),
    )
    firings.stroke_index["feed"] = np.full(firings.cylinder.size, -1)
    firings.stroke_index["feed"][rows] = np.arange(rows.size)
    torque = make_torque(firings, np.zeros(firings.cylinder.size))
    own = make_train(firings, 1, cut)
    assert judge_blind(make_recording(), [feed, own], firings, torque) == {}
    awake = make_train(firings, 1, ALWAYS)
    assert judge_blind(make_recording(), [feed, awake], firings, torque) == {"feed": 12}


def test_a_common_channel_whose_sparks_all_fall_beside_contradicts_the_card():
    firings = make_firings()
    train = make_train(firings, 1, ALWAYS)
    feed = replace(train.channel, name="feed", cylinders=())
    astray = move_train(firings, train, 3)
    firings.stroke_index["feed"] = firings.stroke_index.pop(train.channel.name)
    assert judge_places(firings, make_engine(), [StrokeTrain(feed, astray.strokes)]) == [
        "sparks_misplaced"
    ]


def test_wires_that_show_no_spark_line_at_all_are_no_witness_of_sparks():
    # An injector's wire has its pulse and kick, but never a spark line (common practice).
    always = np.ones(N_CYCLES, bool)
    unclear = lack_at(4, ~in_stretch(0, N_CYCLES // 2))
    assert judge_faint({1: always, 4: always}, unclear) == {1: 0, 4: 0}
    some = ~in_stretch(10, 30)
    assert judge_faint({1: some, 4: always}, unclear)[4] >= N_CYCLES // 2
