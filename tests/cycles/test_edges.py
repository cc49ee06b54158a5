"""The edge by which a crank signal is read: wheels whose gap is whole at one edge only."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from misfire.cycles.edges import choose_edge
from misfire.cycles.pattern import describe_wheel
from misfire.cycles.wheel import decode_wheel
from misfire.events.crank import find_teeth_levels
from misfire.measuring.detection import detect_events
from misfire.measuring.opening import open_recording
from misfire.records import LEVEL_FIELDS, CrankWheel, ToothTrain
from tests.builders.files import ENGINE, make_npy, write_job
from tests.builders.wheels import GAPS, Crank, as_counts, tooth_offsets

WHEEL_60_2 = CrankWheel(60, ((59, 60),))


def make_edges(
    name,
    *,
    seed,
    late=0.0,
    gap_excess=0.0,
    rpm=3000.0,
    turns=30,
    jitter=0.004,
    swing=0.08,
    part=0.45,
):
    """Instants of both edges of each tooth, in seconds.

    `late`: the tooth before each gap ends so many pitches late; `gap_excess`: and the tooth after
    it begins so many late. `jitter` [pitches] of each edge, `swing` of the speed twice a turn.
    """
    rng = np.random.default_rng(seed)
    positions, gaps = GAPS[name]
    offsets = np.array(tooth_offsets(positions, gaps), float)
    after_gap = np.diff(np.concatenate(([offsets[-1] - positions], offsets))) > 1
    before_gap = np.roll(after_gap, -1)
    begin = (np.arange(turns)[:, None] * positions + offsets + gap_excess * after_gap).ravel()
    end = (np.arange(turns)[:, None] * positions + offsets + part + late * before_gap).ravel()
    turn_s = 60.0 / rpm

    def at(place):
        place = place + rng.normal(0.0, jitter, place.size)
        angle = 2 * np.pi * place / positions
        return turn_s * (place / positions + swing * np.sin(2 * angle) / (4 * np.pi))

    return at(begin), at(end)


def make_train(begin_s, end_s, *, active, sensor="vr"):
    """A train whose first choice is the edge `active`: "begin" or "end" of the teeth."""
    first, second = (begin_s, end_s) if active == "begin" else (end_s, begin_s)
    return ToothTrain(first, sensor, -1, other_s=second)


class TestGapWholeAtOneEdge:
    # recordings of real engines: 3.1 pitches at one edge, 2.04 and 1.93 at the other
    @pytest.mark.parametrize("active", ["begin", "end"])
    @pytest.mark.parametrize("card", [WHEEL_60_2, None], ids=["card", "worked out"])
    @pytest.mark.parametrize("seed", range(10))
    def test_60_2_is_60_2(self, seed, card, active):
        rng = np.random.default_rng(seed + 100)
        begin_s, end_s = make_edges(
            "60-2",
            seed=seed,
            late=rng.uniform(0.75, 1.2),
            gap_excess=rng.uniform(0.0, 0.2),
            jitter=rng.uniform(0.002, 0.01),
        )
        for sensor in ("vr", "hall"):
            train = make_train(begin_s, end_s, active=active, sensor=sensor)
            chosen = choose_edge(train, wheel=card)
            assert_array_equal(chosen.tooth_s, begin_s)
            track = decode_wheel(chosen.tooth_s, wheel=card)
            assert describe_wheel(track.wheel) == "60-2"
            assert track.n_missing == track.n_extra == 0
            assert track.time_s.size == begin_s.size

    def test_what_both_edges_show_is_said(self):
        train = make_train(*make_edges("60-2", seed=1, late=1.0), active="end")
        chosen = choose_edge(train, wheel=CrankWheel(36, ((36,),)))
        assert "60-1-1" in chosen.seen
        assert "60-2" in chosen.seen

    def test_tdc_is_still_counted_from_the_falling_edge(self):
        # a logic capture, high on the tooth: its falling edge is the end of the tooth
        begin_s, end_s = make_edges("60-2", seed=2, late=1.0, gap_excess=0.1, part=0.4)
        levels = np.zeros(2 * begin_s.size + 1, LEVEL_FIELDS)
        levels["time_s"][0] = begin_s[0] - 1e-3
        levels["time_s"][1:] = np.stack((begin_s, end_s), axis=1).ravel()
        levels["level"][1::2] = 1
        chosen = choose_edge(find_teeth_levels(levels), wheel=WHEEL_60_2)
        assert chosen.edge == 1
        assert chosen.edge_shift_pitch == pytest.approx(-0.4, abs=0.02)


class TestOtherWheels:
    @pytest.mark.parametrize("name", ["60-2", "36-1", "36-2", "36-2-2-2", "36-2-1", "24-plain"])
    @pytest.mark.parametrize("given", [True, False])
    def test_edges_that_serve_alike_are_kept(self, name, given):
        positions, gaps = GAPS[name]
        card = CrankWheel(positions, gaps) if given else None
        begin_s, end_s = make_edges(name, seed=3)
        for active, first in (("begin", begin_s), ("end", end_s)):
            chosen = choose_edge(make_train(begin_s, end_s, active=active), wheel=card)
            assert_array_equal(chosen.tooth_s, first)
            assert chosen.findings == ()

    def test_a_wheel_of_two_gaps_stays_one(self):
        # two gaps beside each other at both edges: the tooth between them is there
        place = np.arange(30)[:, None] * 60 + np.array([*range(57), 58])
        begin_s = 0.02 * place.ravel() / 60
        train = make_train(begin_s, begin_s + 0.4 * 0.02 / 60, active="end")
        found = decode_wheel(choose_edge(train, wheel=None).tooth_s, wheel=None)
        assert describe_wheel(found.wheel) == "60-1-1"


@pytest.mark.parametrize("sensor", ["hall", "vr"])
def test_negative_scale_turns_a_signal_over(tmp_path, sensor):
    # the same signal recorded upside down: the edges of the teeth stay where they are
    crank = Crank(lambda t: np.full(t.size, 1200.0), duration_s=1.0, start_deg=2.0)
    make = crank.hall if sensor == "hall" else crank.vr
    counts = as_counts(make("60-2", rate_hz=100_000.0))
    found = []
    for name, sign in (("upright", 1), ("over", -1)):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "crank.npy").write_bytes(make_npy(sign * counts))
        channel = {
            "role": "crank",
            "file": "crank.npy",
            "column": 0,
            "unit": "V",
            "scale": 1e-3 * sign,
            "rate_hz": 100000.0,
        }
        wheel = "\n[crank_wheel]\npositions = 60\nmissing = 2\n"
        recording = open_recording(write_job(folder, channel, head=ENGINE + wheel))
        found.append(detect_events(recording).track.time_s[:])
        recording.close()
    assert_allclose(found[1], found[0], rtol=0, atol=1e-6)


class TestScatter:
    def test_worse_falling_edge_is_given_up(self):
        # a logic capture of 24 teeth whose falling edges jitter by 5 % of a pitch
        rng = np.random.default_rng(3)
        rise = np.arange(1.0, 400.0)
        rise = rise[(rise % 24) < 22]  # low in the gap: each tooth is high for 0.3 of a pitch
        fall = rise + 0.3 + rng.normal(0, 0.05, rise.size)
        levels = np.zeros(2 * rise.size + 1, LEVEL_FIELDS)
        levels["time_s"][1:] = np.stack((rise, fall), axis=1).ravel()
        levels["level"][1::2] = 1
        train = choose_edge(find_teeth_levels(levels), wheel=None)
        assert train.edge == 1
        assert_array_equal(train.tooth_s, rise)
        assert train.edge_shift_pitch == pytest.approx(-0.3, abs=0.02)
        assert [f.code for f in train.findings] == ["crank_edge"]
