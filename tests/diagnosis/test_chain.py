"""The whole chain on small recordings of an engine whose every firing is known."""

import re
import shutil

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from misfire.diagnosis.chain import diagnose, ingest
from misfire.errors import ChannelError, CycleError, FormatError, JobCardError, MisfireError
from misfire.records import EVENT_COLUMNS, FAULT_TYPES, VERDICTS
from misfire.resources import find_resource
from tests.builders.coils import charging_amps
from tests.builders.files import make_wav
from tests.builders.recordings import DWELL_S, make_recording
from tests.builders.vehicles import make_vehicle

CYCLES = 60
LOST = tuple((cycle, 3) for cycle in range(6, 56, 8))


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    """Make a recording and diagnose it, each kind once."""
    kept = {}

    def give(name, **more):
        if name not in kept:
            made = make_recording(tmp_path_factory.mktemp("case"), n_cycles=CYCLES, **more)
            kept[name] = (made, diagnose(made.job))
        return kept[name]

    return give


@pytest.fixture(scope="module")
def lost(case):
    return case("lost", lost=LOST)


@pytest.fixture(scope="module")
def healthy(case):
    return case("healthy")


@pytest.fixture(scope="module")
def dark(case):
    return case("dark", lost=LOST, dark=LOST, channels=("primary 1", "primary 3", "crank"))


@pytest.fixture(scope="module")
def unfired(case):
    names = tuple(f"primary {c}" for c in (1, 2, 3, 4))
    return case("unfired", unfired=LOST, channels=names)


def rows_of(made, diagnosis, firings):
    """Row of each true firing: same cylinder, nearest in time."""
    events = diagnosis.events
    rows = []
    for f in firings:
        own = np.flatnonzero(events["cylinder"].to_numpy() == f.cylinder)
        rows.append(own[np.abs(events["time_s"].to_numpy()[own] - f.time_s).argmin()])
    return np.array(rows)


def truth_of(made, pairs):
    return [f for f in made.truth if (f.cycle, f.cylinder) in set(pairs)]


class TestMisfire:
    def test_names_the_cylinder(self, lost):
        made, diagnosis = lost
        assert diagnosis.verdict == "misfire"
        first = diagnosis.cylinders[0]
        assert first.cylinder == 3
        assert first.probability > 0.9
        assert first.misfires == len(LOST)
        assert all(c.probability < 0.25 and c.misfires == 0 for c in diagnosis.cylinders[1:])
        assert any("power strokes lost" in sentence for sentence in first.evidence)
        assert first.next_tests

    def test_names_the_firings(self, lost):
        made, diagnosis = lost
        rows = rows_of(made, diagnosis, truth_of(made, LOST))
        flagged = np.flatnonzero(diagnosis.events["misfire_probability"].to_numpy() >= 0.5)
        assert_array_equal(np.sort(rows), flagged)

    def test_every_event_in_its_place(self, lost):
        # half a sample and the foot of the kick
        made, diagnosis = lost
        rows = rows_of(made, diagnosis, made.truth)
        assert np.unique(rows).size == rows.size == len(diagnosis.events)
        error = diagnosis.events["time_s"].to_numpy()[rows] - [f.time_s for f in made.truth]
        assert np.abs(error).max() < 10e-6
        seen = diagnosis.events["crank_deg"].to_numpy()[rows]
        expected = [(f.tdc_deg - 84.0 - f.advance_deg) % 720.0 for f in made.truth]
        assert_allclose(seen, expected, atol=0.4)

    def test_values(self, lost):
        made, diagnosis = lost
        inner = diagnosis.events.iloc[4:-4]
        assert_allclose(inner["dwell_ms"], DWELL_S * 1e3, rtol=0.02)
        assert_allclose(inner["peak_current_a"], charging_amps(DWELL_S), rtol=0.03)
        first = inner[inner["cylinder"] == 1]
        assert_allclose(first["burn_time_ms"], 1.5, rtol=0.05)
        assert inner.loc[inner["cylinder"] != 1, "burn_time_ms"].isna().all()

    def test_a_gap_that_never_broke_down(self, dark):
        made, diagnosis = dark
        assert diagnosis.verdict == "misfire"
        assert diagnosis.cylinders[0].cylinder == 3
        rows = rows_of(made, diagnosis, truth_of(made, LOST))
        events = diagnosis.events
        assert_array_equal(events["burn_time_ms"].to_numpy()[rows], 0.0)
        assert all("no_breakdown" in flags for flags in events["flags"].iloc[rows])
        assert np.all(events["misfire_probability"].to_numpy()[rows] >= 0.5)
        assert diagnosis.cylinders[0].faults[0][0] in ("open_secondary", "fouled_plug")

    def test_a_coil_that_was_not_switched_without_a_crank(self, unfired):
        made, diagnosis = unfired
        assert diagnosis.verdict == "misfire"
        assert diagnosis.cylinders[0].cylinder == 3
        assert diagnosis.cylinders[0].faults[0][0] == "no_primary"
        rows = rows_of(made, diagnosis, truth_of(made, LOST))
        events = diagnosis.events
        assert_array_equal(events["dwell_ms"].to_numpy()[rows], 0.0)
        assert all("no_dwell" in flags for flags in events["flags"].iloc[rows])
        error = events["time_s"].to_numpy()[rows] - [f.time_s for f in truth_of(made, LOST)]
        assert np.abs(error).max() < 5e-3


class TestWithoutTorque:
    def test_a_coil_that_kept_its_energy_lost_the_firing(self, tmp_path):
        # the demo, its crank sensor left out: the coil tells the same firings
        demo = find_resource("data_demo")
        for name in ("capture.h5", "capture_2.h5"):
            shutil.copy(demo / name, tmp_path)
        head, *channels = (demo / "job.toml").read_text().split("[[channel]]")
        kept = [c for c in channels if 'role = "crank"' not in c]
        (tmp_path / "job.toml").write_text("[[channel]]".join([head, *kept]))
        worst = diagnose(tmp_path / "job.toml").cylinders[0]
        whole = diagnose(demo / "job.toml").cylinders[0]
        assert len(kept) == len(channels) - 1
        assert (worst.cylinder, worst.misfires) == (whole.cylinder, whole.misfires)
        assert worst.probability > 0.8
        assert worst.faults[0][0] == whole.faults[0][0]


class TestWheelThatHidesCylinders:
    def test_what_the_crank_never_shows_is_not_called_sound(self, tmp_path):
        # one tooth so bent that its pulse is left out, where cylinders work
        bent = {"type": "crank_signal", "kind": "damaged", "cylinder": 0, "severity": 0.9}
        job, _ = make_vehicle(
            tmp_path, channels=(("coil_primary", (1,)), ("crank", ())), faults=[bent]
        )
        said = diagnose(job)
        known = said.events["segment_accel"].notna().groupby(said.events["cylinder"]).mean()
        hidden = [c for c in known.index if known[c] == 0.0 and c != 1]
        assert hidden
        assert said.verdict == "inconclusive"
        named = said.notes[0].split(":")[0]
        assert named.startswith("neither torque nor spark lines were recorded of cylinder")
        assert [int(c) for c in re.findall(r"\d+", named)] == hidden


class TestHealthy:
    def test_nobody_is_named(self, healthy):
        _, diagnosis = healthy
        assert diagnosis.verdict == "no_misfire"
        assert max(c.probability for c in diagnosis.cylinders) < 0.25
        assert sum(c.misfires for c in diagnosis.cylinders) == 0
        # rule of three: 0 of 60 leaves 3/60 open (ANCHORS F)
        assert any("one in 20 firings" in note for note in diagnosis.notes)

    def test_too_short_to_say(self, tmp_path):
        made = make_recording(tmp_path, n_cycles=6)
        diagnosis = diagnose(made.job)
        assert diagnosis.verdict == "inconclusive"
        assert any("record at least" in note for note in diagnosis.notes)


class TestPairNotToldApart:
    def test_crank_alone(self, case):
        _, diagnosis = case("crank", lost=LOST, channels=("crank",))
        assert not any(c.probability > 0.8 for c in diagnosis.cylinders)
        assert {c.cylinder for c in diagnosis.cylinders[:2]} == {2, 3}
        assert any("tells the two revolutions" in note for note in diagnosis.notes)

    def test_three_cylinders_from_the_crank_alone(self, case):
        # no mates, but without a sign of the revolution nobody may be named for sure
        _, diagnosis = case(
            "three", order=(1, 2, 3), lost=tuple((c, 2) for c, _ in LOST), channels=("crank",)
        )
        named = [c.cylinder for c in diagnosis.cylinders if c.probability > 0.8]
        assert named in ([], [2])


class TestForm:
    @pytest.mark.parametrize("name", ["lost", "healthy", "dark", "unfired"])
    def test_contract(self, name, request):
        _, diagnosis = request.getfixturevalue(name)
        assert diagnosis.verdict in VERDICTS
        assert sorted(c.cylinder for c in diagnosis.cylinders) == [1, 2, 3, 4]
        assert [c.rank for c in diagnosis.cylinders] == [1, 2, 3, 4]
        chances = [c.probability for c in diagnosis.cylinders]
        assert chances == sorted(chances, reverse=True)
        for c in diagnosis.cylinders:
            assert sum(p for _, p in c.faults) == pytest.approx(1.0)
            assert {t for t, _ in c.faults} == set(FAULT_TYPES)
        assert tuple(diagnosis.events.columns) == EVENT_COLUMNS
        assert diagnosis.events["time_s"].is_monotonic_increasing
        assert len(diagnosis.extras) == len(diagnosis.events)

    @pytest.mark.parametrize("name", ["lost", "unfired"])
    def test_twice_the_same(self, name, request):
        made, first = request.getfixturevalue(name)
        again = diagnose(made.job)
        pd.testing.assert_frame_equal(again.events, first.events, check_exact=True)
        assert repr(again.cylinders) == repr(first.cylinders)  # NaN included
        assert again.notes == first.notes
        assert again.findings == first.findings

    def test_recording_and_job_card_say_the_same(self, lost, tmp_path):
        made, first = lost
        summary = ingest(made.job, tmp_path / "rec.h5")
        assert summary["source_sha256"] == first.sha256
        stored = diagnose(tmp_path / "rec.h5")
        pd.testing.assert_frame_equal(stored.events, first.events, check_exact=True)
        assert repr(stored.cylinders) == repr(first.cylinders)

    def test_reversed_clamp(self, lost, tmp_path):
        # the arrow on the clamp points the other way: everything comes out the same
        made, first = lost
        n = min(s.size for s in made.signals.values())
        turned = {**made.signals, "feed": -made.signals["feed"]}
        samples = np.stack([s[:n] for s in turned.values()], axis=1)
        (tmp_path / "capture.wav").write_bytes(make_wav(samples, rate_hz=int(made.rate_hz)))
        (tmp_path / "job.toml").write_text(made.job.read_text())
        second = diagnose(tmp_path / "job.toml")
        assert second.cylinders[0].cylinder == first.cylinders[0].cylinder
        assert_allclose(second.events["time_s"], first.events["time_s"], atol=2e-6)
        assert_allclose(second.events["peak_current_a"], first.events["peak_current_a"], rtol=0.01)

    def test_panels_show_the_suspect(self, lost):
        _, diagnosis = lost
        assert diagnosis.panels
        for panel in diagnosis.panels:
            assert panel.cylinder == 3
            assert panel.suspect.shape[1] == panel.time_ms.size == panel.good_mid.size

    def test_progress(self, lost):
        made, _ = lost
        seen = []
        diagnose(made.job, progress=lambda stage, part: seen.append((stage, part)))
        assert all(0.0 <= part <= 1.0 for _, part in seen)
        assert ("judging", 1.0) in seen
        assert seen[-1][1] == 1.0


def break_card(job, old, new):
    text = job.read_text()
    assert old in text
    job.write_text(text.replace(old, new))


def silence(job, *, n=200_000, n_channels=3):
    rng = np.random.default_rng(1)
    samples = rng.integers(-2, 3, (n, n_channels)).astype(np.int16)
    (job.parent / "capture.wav").write_bytes(make_wav(samples, rate_hz=100_000))


def remove(job):
    (job.parent / "capture.wav").unlink()


def garble(job):
    (job.parent / "capture.wav").write_bytes(b"RIFF no wave at all")


def half_a_second(job):
    data = (job.parent / "capture.wav").read_bytes()
    (job.parent / "capture.wav").write_bytes(data[: 44 + 6 * 1000])


REFUSED = {
    "no raw file": (remove, (FormatError, JobCardError), "capture.wav"),
    "no wave": (garble, FormatError, "capture.wav"),
    "silence": (silence, (ChannelError, CycleError), "neither crank angle nor a spark"),
    "ten milliseconds": (half_a_second, (ChannelError, CycleError), "job.toml"),
    "firing order": (
        lambda job: break_card(job, "[1, 3, 4, 2]", "[1, 3, 4, 4]"),
        JobCardError,
        "firing_order",
    ),
    "column": (lambda job: break_card(job, "column = 2", "column = 7"), MisfireError, "7"),
    "two strokes": (
        lambda job: break_card(job, "[engine]", "[engine]\nstrokes = 2"),
        JobCardError,
        "strokes",
    ),
}


class TestRefusal:
    @pytest.fixture(scope="class")
    @classmethod
    def good(cls, tmp_path_factory):
        return make_recording(tmp_path_factory.mktemp("good"), n_cycles=8)

    @pytest.fixture
    def job(self, good, tmp_path):
        folder = tmp_path / "in"
        folder.mkdir()
        for name in ("job.toml", "capture.wav"):
            (folder / name).write_bytes((good.job.parent / name).read_bytes())
        return folder / "job.toml"

    @pytest.mark.parametrize("name", REFUSED)
    def test_one_line_that_names_the_place(self, job, name):
        spoil, kind, word = REFUSED[name]
        spoil(job)
        with pytest.raises(kind) as caught:
            diagnose(job)
        message = str(caught.value)
        assert "\n" not in message
        assert word in message

    @pytest.mark.parametrize("name", ["no raw file", "no wave", "firing order", "column"])
    def test_no_output_is_left(self, job, name, tmp_path):
        REFUSED[name][0](job)
        out = tmp_path / "out"
        out.mkdir()
        with pytest.raises(MisfireError):
            ingest(job, out / "rec.h5")
        assert list(out.iterdir()) == []

    @pytest.mark.parametrize("name", ["silence", "no wave", "column"])
    def test_the_command_leaves_no_output_either(self, job, name, tmp_path, monkeypatch):
        from misfire.cli.app import main

        monkeypatch.setattr("sys.excepthook", __import__("sys").excepthook)
        REFUSED[name][0](job)
        before = {p.name for p in tmp_path.rglob("*")}
        with pytest.raises(SystemExit) as stop:
            main(["diagnose", str(job), "-o", str(tmp_path / "out"), "--quiet"])
        assert stop.value.code == 1
        assert {p.name for p in tmp_path.rglob("*") if p.is_file()} <= before

    def test_wrong_wheel_in_the_card(self, job):
        # 60-2 on the engine, 36-1 in the card: told; the sparks that are left show one burn of four
        break_card(job, "positions = 60\nmissing = 2", "positions = 36\nmissing = 1")
        diagnosis = diagnose(job)
        said = " ".join(f.message for f in diagnosis.findings if f.code == "no_sync")
        assert "36-1" in said
        assert "60-2" in said
        assert diagnosis.verdict == "inconclusive"
        assert any("of cylinders 2, 3 and 4: connect" in note for note in diagnosis.notes)
