"""States of firings and kinds of fault, on firings drawn from what the trade's textbooks say.

Source of the directions: firing line and spark line read as a pair (high and short: open or wide
gap; low and long: fouled or shorted path), textbooks of automotive ignition; what each fault does
to the signals: the table of fault types in the README.
"""

import numpy as np
import pandas as pd
import pytest

from misfire.columns import FIRING_COLUMNS
from misfire.diagnosis.firings.explanation import explain
from misfire.diagnosis.firings.reference import compare_with_sound
from misfire.diagnosis.reasons import find_ailing
from misfire.records import FAULT_TYPES, SPARK_STATES, WORK_STATES

CYLINDERS = 4
SOUND = {
    "form_burn_ms": 0.3,
    "form_breakdown_us": 2.5,
    "form_firing": 2.0,
    "form_burn_level": 0.2,
    "form_kick": 3.0,
    "form_ring": 1.0,
    "form_peak_a": 2.0,
    "form_slope": 1.2,
    "form_ring_on": -4.0,
    "form_step": 0.0,
}
SCATTER = {"form_peak_a": 0.01, "form_slope": 0.01, "form_step": 0.005}


def draw(n_cycles=100, seed=1, *, odd=0.4, cylinder=3, change=None, dark=False, lack=0.0, **flags):
    """Draw a recording in which one cylinder is odd in a share of its firings."""
    rng = np.random.default_rng(seed)
    n = CYLINDERS * n_cycles
    of = np.tile(np.arange(1, CYLINDERS + 1), n_cycles)
    table = pd.DataFrame({c: np.full(n, np.nan) for c in FIRING_COLUMNS})
    for name, value in SOUND.items():
        table[name] = value + rng.normal(0.0, SCATTER.get(name, 0.05), n)
    for name in ("no_breakdown", "no_dwell", "form_leaks"):
        table[name] = 0.0
    table["torque_level_change"] = 0.0
    z = rng.normal(0.0, 1.0, n)
    active = (of == cylinder) & (rng.random(n) < odd)
    z += active * lack / 0.05
    for name in ("torque_deficit_z", "gain_deficit_z", "torque_step_z"):
        table[name] = z
    table["torque_lack"], table["torque_lack_sigma"] = 0.05 * z, 0.05
    table["torque_unit_sigma"] = 0.15
    table["torque_deficit_relative"] = 0.05 * z * 0.1
    table["approach_z"] = rng.normal(0.0, 0.5, n)
    for name, step in (change or {}).items():
        table.loc[active, name] += step
    if dark:
        table.loc[active, ["form_burn_ms", "form_burn_level"]] = np.nan
        table.loc[active, "no_breakdown"] = 1.0
    for name, value in flags.items():
        table.loc[active, name] = value
    return table, of, active


def judge(table, of, faulty=0.5):
    return explain(
        table, of, faulty=np.full(CYLINDERS, faulty), disturbed=np.zeros(len(table), bool)
    )


FAULTS = [
    # kind, spark it makes, what changes in the odd firings
    ("open_secondary", "strained", {"form_firing": 0.8, "form_breakdown_us": 0.6,
     "form_burn_ms": -0.6, "form_burn_level": 0.2}, False, {}),
    ("open_secondary", "no_breakdown", {"form_firing": 0.9, "form_breakdown_us": 1.4,
     "form_kick": 0.1, "form_ring": 0.3}, True, {}),
    ("fouled_plug", "leaking", {"form_firing": -0.6, "form_kick": -0.4, "form_ring": -1.2}, True,
     {"form_leaks": 1.0}),
    ("weak_coil", "starved", {"form_peak_a": -0.5, "form_slope": -0.45, "form_burn_ms": -0.5,
     "form_kick": -0.35}, False, {}),
    ("weak_coil", "starved", {"form_step": 0.2, "form_ring_on": -0.7, "form_burn_ms": -0.7,
     "form_kick": -0.3}, False, {}),
    ("mixture", "usual", {}, False, {}),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "spark", "change", "dark", "flags"), FAULTS)
@pytest.mark.parametrize("odd", [0.2, 0.8])
def test_the_kind_of_fault_is_told(kind, spark, change, dark, flags, odd):
    table, of, active = draw(odd=odd, change=change, dark=dark, lack=1.0, **flags)
    found = judge(table, of)
    assert FAULT_TYPES[int(found.kinds[2].argmax())] == kind
    named = np.array(SPARK_STATES)[found.spark]
    assert np.mean(named[active] == spark) > 0.95
    assert np.mean(named[~active] == "usual") > 0.98
    assert np.mean(found.lost[active] > 0.5) > 0.97
    assert np.mean(found.lost[~active] > 0.5) < 0.005


def test_a_coil_that_is_not_switched():
    table, of, active = draw(odd=0.3, lack=1.0, no_dwell=1.0)
    table.loc[active, list(SOUND)] = np.nan
    table.loc[active, "no_breakdown"] = np.nan
    found = judge(table, of)
    assert FAULT_TYPES[int(found.kinds[2].argmax())] == "no_primary"
    assert set(np.array(SPARK_STATES)[found.spark[active]]) == {"not_switched"}
    assert (found.lost[active] > 0.9).all()


def test_a_short_spark_that_did_its_work_is_ailing_and_not_lost():
    change = {"form_firing": 0.6, "form_breakdown_us": 0.5, "form_burn_ms": -0.5}
    table, of, active = draw(odd=0.2, change=change)
    found = judge(table, of, faulty=0.05)
    assert (found.lost < 0.5).all()
    assert list(find_ailing(found)) == [3]
    sound, of, _ = draw(odd=0.0, seed=2)
    assert find_ailing(judge(sound, of)) == {}


@pytest.mark.parametrize(("recorded", "size"), [((1, 2, 3, 4), 0.2), ((3,), 0.3)])
def test_mild_strain_is_told_by_all_firings_together(recorded, size):
    # a wider gap: each firing is within four, or six, scatters of the sound (common practice)
    change = {"form_burn_ms": -size, "form_breakdown_us": size, "form_burn_level": 0.6 * size}
    table, of, _ = draw(n_cycles=300, odd=0.2, change=change)
    unseen = ~np.isin(of, recorded)
    table.loc[unseen, [*SOUND, "no_breakdown", "form_leaks"]] = np.nan
    found = judge(table, of, faulty=0.03)
    assert list(find_ailing(found)) == [3]
    assert 0.1 < find_ailing(found)[3] < 0.3


def test_the_table_counts_as_lost_what_is_likelier_lost_than_not():
    # from a tenth of a combustion to all of it: at some lack all three states are about as likely
    table, of, active = draw(n_cycles=300, odd=0.3)
    lack = np.where(active, np.random.default_rng(7).uniform(0.1, 1.0, len(table)), 0.0)
    table["torque_lack"] += lack
    table["torque_lack_sigma"] = 0.15
    found = judge(table, of)
    lost = WORK_STATES.index("lost")
    open_ = (found.lost > 0.4) & (found.lost < 0.5) & (found.work_probability < 0.5)
    assert open_.any()
    assert (found.work[open_] != lost).all()
    for c in range(1, CYLINDERS + 1):
        assert found.table[c - 1, :, lost].sum() == np.sum(found.lost[of == c] >= 0.5)


def test_what_every_spark_does_as_the_throttle_opens_is_no_ailing_spark():
    # more charge: the gap asks for more and the spark burns shorter, for a few cycles in a row
    table, of, _ = draw(n_cycles=300, odd=0.0)
    opens = np.arange(len(table)) // CYLINDERS % 40 < 4
    table.loc[opens, "form_burn_ms"] -= 0.3
    table.loc[opens, "form_burn_level"] += 0.25
    table["speed_change_relative"] = np.where(opens, 0.1, 0.0)
    table.loc[of != 3, [*SOUND, "no_breakdown", "form_leaks"]] = np.nan
    assert find_ailing(judge(table, of, faulty=0.03)) == {}


def test_cylinders_of_one_coil_are_no_measure_for_each_other():
    change = {"form_firing": 0.6, "form_breakdown_us": 0.5, "form_burn_ms": -0.5}
    table, of, active = draw(odd=0.2, change=change)
    mate = np.roll(active, 2)  # the next spark but one is the mate's
    table.loc[mate, list(SOUND)] = table.loc[np.roll(mate, -2), list(SOUND)].to_numpy()
    table.loc[~np.isin(of, (1, 3)), [*SOUND, "no_breakdown", "form_leaks"]] = np.nan
    found = judge(table, of, faulty=0.03)
    assert find_ailing(found) == {}
    assert list(find_ailing(found, ((1, 3), (2, 4)))) == [1, 3]


def test_long_tails_in_every_cylinder_are_no_ailing_spark():
    table, of, _ = draw(n_cycles=300, odd=0.0)
    rng = np.random.default_rng(5)
    for name in SOUND:  # Student's law of three degrees, as turbulence scatters breakdown and burn
        table[name] = SOUND[name] + SCATTER.get(name, 0.05) * rng.standard_t(3, len(table))
    assert find_ailing(judge(table, of, faulty=0.03)) == {}


def test_a_measure_told_in_steps_is_not_strange_one_step_on():
    # an instrument of 8 bits over 1000 V gives a spark line of 30 V in steps of 4 V
    table, of, _ = draw(n_cycles=300, odd=0.0)
    rng = np.random.default_rng(6)
    table["form_burn_level"] = np.log(np.where(rng.random(len(table)) < 0.9, 28.0, 32.0) / 25.0)
    unseen = of != 3
    table.loc[unseen, [*SOUND, "no_breakdown", "form_leaks"]] = np.nan
    assert find_ailing(judge(table, of, faulty=0.03)) == {}


def test_sparks_that_the_next_charge_ends_are_no_measure_of_one_that_burns_out():
    # several strikes at idle, one that burns three times as long on the road (common practice)
    table, of, _ = draw(n_cycles=300, odd=0.0)
    burns_out = np.arange(len(table)) // CYLINDERS % 40 < 6
    table["form_recharged"] = np.where(burns_out, 0.0, 1.0)
    table.loc[~burns_out, "form_ring"] = np.nan
    change = {"form_burn_ms": 1.5, "form_ring": -0.4, "form_burn_level": -0.3}
    for name, step in change.items():
        table.loc[burns_out, name] += step
    table.loc[of != 3, [*SOUND, "no_breakdown", "form_leaks"]] = np.nan
    assert find_ailing(judge(table, of, faulty=0.03)) == {}


def test_a_leak_that_takes_all_of_the_work_is_one_of_the_likely_kinds():
    table, of, _ = draw(odd=1.0, lack=0.9)
    table.loc[of == 3, "approach_z"] += 2.5
    found = judge(table, of, faulty=0.9)
    assert found.kinds[2, FAULT_TYPES.index("low_compression")] > 0.3


def test_a_coil_too_weak_for_the_charges_that_ask_most_is_not_an_open_lead():
    # it fails above its usual breakdown, but its kick is low and its current rises steeply
    change = {"form_firing": 0.3, "form_breakdown_us": 0.9, "form_kick": -0.5, "form_ring": 0.6}
    table, of, _ = draw(odd=0.3, change={**change, "form_slope": 0.15}, dark=True, lack=1.0)
    found = judge(table, of, faulty=0.9)
    assert FAULT_TYPES[int(found.kinds[2].argmax())] == "weak_coil"


def test_a_current_ramp_alone_calls_no_spark_usual():
    table, of, _ = draw(odd=0.2, change={"form_peak_a": -0.5, "form_slope": -0.45})
    lines = ["form_burn_ms", "form_breakdown_us", "form_firing", "form_burn_level", "form_kick"]
    table[[*lines, "form_ring", "no_breakdown", "form_leaks"]] = np.nan
    named = np.array(SPARK_STATES)[judge(table, of).spark]
    assert set(named) == {"unseen", "starved"}
    assert np.mean(named[of != 3] == "unseen") > 0.98


def test_a_leaking_cylinder_always_gives_less():
    table, of, _ = draw(odd=1.0, lack=0.4)
    table.loc[of == 3, "approach_z"] += 2.5
    found = judge(table, of, faulty=0.9)
    assert FAULT_TYPES[int(found.kinds[2].argmax())] == "low_compression"
    less = (WORK_STATES.index("partial"), WORK_STATES.index("lost"))
    assert np.mean(np.isin(found.work[of == 3], less)) > 0.9


def test_what_no_channel_shows_is_unseen():
    table, of, _ = draw(lack=1.0)
    table[[*SOUND, "no_breakdown", "no_dwell", "form_leaks"]] = np.nan
    found = judge(table, of)
    assert (found.spark == SPARK_STATES.index("unseen")).all()
    torque = ["torque_lack", "torque_deficit_z", "torque_step_z", "gain_deficit_z"]
    table[torque] = np.nan
    found = judge(table, of)
    assert (found.work == WORK_STATES.index("unseen")).all()
    assert np.isnan(found.lost).all()


def test_fuel_cut_is_neither_lost_nor_done():
    table, of, active = draw(odd=0.5, lack=1.0)
    table["torque_level_change"] = -20.0
    found = judge(table, of)
    assert (found.work == WORK_STATES.index("cut")).all()
    assert (found.lost < 0.1).all()


def test_shakes_that_strike_every_cylinder_say_less_than_those_of_one():
    shaken, of, struck = draw(n_cycles=400, odd=0.0)
    one, _, _ = draw(n_cycles=400, odd=0.0)
    rng = np.random.default_rng(5)
    struck = np.flatnonzero(rng.random(len(shaken)) < 0.03)
    for table, rows in ((shaken, struck), (one, struck[of[struck] == 3])):
        for name in ("torque_deficit_z", "gain_deficit_z", "torque_step_z"):
            table.loc[rows, name] += 18.0
        table.loc[rows, "torque_lack"] += 0.9
    assert judge(shaken, of).misfit[2] < 0.5 * judge(one, of).misfit[2]


def test_a_fault_in_most_firings_does_not_become_the_reference():
    rng = np.random.default_rng(3)
    of = np.tile([1, 2, 3, 4], 200)
    values = rng.normal(0.0, 0.05, of.size)
    odd = (of == 3) & (rng.random(of.size) < 0.9)
    values[odd] -= 0.7
    apart, sigma = compare_with_sound(values, ~odd, of, n_cylinders=4, least=0.04)
    assert np.median(apart[odd]) == pytest.approx(-0.7, abs=0.05)
    assert np.median(np.abs(apart[~odd])) < 0.06
    assert np.isfinite(sigma).all()


def test_an_own_level_is_no_fault():
    rng = np.random.default_rng(4)
    of = np.tile([1, 2, 3, 4], 200)
    values = rng.normal(0.0, 0.05, of.size) + np.where(of == 2, 0.15, 0.0)
    values += np.linspace(0.0, 0.5, of.size)  # the engine's condition moves, for all alike
    apart, _ = compare_with_sound(values, np.ones(of.size, bool), of, n_cylinders=4, least=0.04)
    for c in range(1, 5):
        assert abs(np.median(apart[of == c])) < 0.03


def test_a_failing_injector_names_the_mixture_and_a_working_one_does_not_clear_it():
    table, of, active = draw(odd=0.3, lack=1.0)
    alone = judge(table, of).kinds[2, FAULT_TYPES.index("mixture")]
    for name in ("injector_missing", "injector_failed"):
        table[name] = np.where(of == 3, 0.0, np.nan)
    working = judge(table, of).kinds[2, FAULT_TYPES.index("mixture")]
    assert working > 0.85 * alone
    for name in ("injector_missing", "injector_failed"):
        table.loc[active, name] = 1.0
    assert judge(table, of).kinds[2, FAULT_TYPES.index("mixture")] > 0.85


def test_a_fault_in_every_firing_of_the_only_coil_seen():
    # a poor feed: less current, a ramp that bends (exp(-t R/L)), a short burn, the lost ones alike
    table, of, _ = draw(odd=0.2, lack=1.0)
    others = of != 3
    for name in [c for c in table if c.startswith("form_")] + ["no_breakdown", "no_dwell"]:
        table.loc[others, name] = np.nan
    change = {"form_peak_a": -1.1, "form_slope": -1.0, "form_bend": 0.3, "form_burn_ms": -0.9}
    for name, step in change.items():
        base = 0.0 if name == "form_bend" else table.loc[of == 3, name]
        table.loc[of == 3, name] = base + step
    found = judge(table, of, faulty=0.9)
    assert FAULT_TYPES[int(found.kinds[2].argmax())] == "weak_coil"


def test_partly_burned_charges_tell_lean_from_an_open_lead():
    table, of, active = draw(odd=0.6, lack=1.0, seed=3)
    half = active & (np.arange(len(table)) % 8 < 4)
    share = np.where(half, 0.3, 1.0)
    for name in ("torque_deficit_z", "gain_deficit_z", "torque_step_z", "torque_lack"):
        table.loc[active, name] *= share[active]
    for name in [c for c in table if c.startswith("form_")] + ["no_breakdown", "no_dwell"]:
        table[name] = np.nan
    found = judge(table, of, faulty=0.9)
    kinds = dict(zip(FAULT_TYPES, found.kinds[2], strict=True))
    assert kinds["mixture"] > 1.2 * kinds["open_secondary"]
