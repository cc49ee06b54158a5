"""Injector, starter and battery channels of simulated vehicles, against the simulator's truth."""

import io

import numpy as np
import pandas as pd
import pytest
from scipy.io import wavfile

from misfire.diagnosis.chain import diagnose
from misfire.measuring.evidence import measure
from misfire.measuring.opening import open_recording
from misfire.records import EVENT_COLUMNS
from misfire.report.diagnosis.files import format_parquet
from tests.builders.vehicles import leave_out, make_vehicle

ONE, CRANK = ("coil_primary", (1,)), ("crank", ())
NO_FUEL = {"type": "mixture", "cylinder": 3, "rate": 0.1, "pattern": "random"}
STARTER = (ONE, CRANK, ("starter_current", ()), ("battery_voltage", ()))


def measure_job(job):
    recording = open_recording(job)
    try:
        return measure(recording)
    finally:
        recording.close()


def unfed_rows(evidence, truth, cylinder):
    """Firings of the cylinder that the simulator gave no fuel, by the time of their sparks."""
    events = truth["events"]
    of = (np.array(events["cylinder"]) == cylinder) & np.array(events["misfire"], bool)
    rows = np.flatnonzero(evidence.firings.cylinder == cylinder)
    near = np.abs(evidence.firings.spark_s[rows][None, :] - np.array(events["time_s"])[of][:, None])
    assert near.min(axis=1).max() < 2e-3
    return set(rows[near.argmin(axis=1)].tolist())


class TestInjector:
    @pytest.mark.parametrize("role", ["injector_voltage", "injector_current"])
    def test_missing_pulse_is_the_lost_firing(self, tmp_path, role):
        job, truth = make_vehicle(
            tmp_path, channels=(ONE, CRANK, (role, (3,))), faults=(NO_FUEL,), seed=5_000_210
        )
        found = measure_job(job)
        missing = set(np.flatnonzero(found.injection.missing == 1).tolist())
        watched = set(np.flatnonzero(np.isfinite(found.injection.pulse_ms)).tolist())
        assert len(missing) > 5
        assert missing == unfed_rows(found, truth, 3) & watched
        result = diagnose(job)
        first = result.cylinders[0]
        assert (result.verdict, first.cylinder) == ("misfire", 3)
        assert max(first.faults, key=lambda f: f[1])[0] == "mixture"
        assert any("the injector failed in" in text for text in first.evidence)
        # events.parquet holds them as further columns
        table = pd.read_parquet(io.BytesIO(format_parquet(result)))
        assert tuple(table.columns[: len(EVENT_COLUMNS)]) == EVENT_COLUMNS
        assert set(np.flatnonzero(table["injector_missing"] == 1).tolist()) == missing
        assert table["injector_pulse_ms"][list(missing)].eq(0).all()

    def test_working_injector_does_not_clear_the_mixture(self, tmp_path):
        lean = {"type": "mixture", "kind": "lean", "cylinder": 3}
        job, _ = make_vehicle(
            tmp_path,
            channels=(ONE, CRANK, ("injector_voltage", (3,))),
            faults=(lean,),
            seed=5_000_211,
        )
        first = diagnose(job).cylinders[0]
        assert first.cylinder == 3
        assert any("switched as usual" in text for text in first.evidence)
        # without the injector the same recording says the same of the types
        text = job.read_text().split('role = "injector_voltage"')[0].rsplit("[[channel]]", 1)[0]
        job.write_text(text)
        alone = diagnose(job).cylinders[0]
        assert dict(first.faults)["mixture"] >= dict(alone.faults)["mixture"] - 0.01

    def test_fuel_cut_is_no_missing_pulse(self, tmp_path):
        job, truth = make_vehicle(
            tmp_path,
            channels=(ONE, CRANK, ("injector_voltage", (2,))),
            condition="overrun",
            seed=5_000_212,
        )
        assert np.sum(truth["events"]["fuel_cut"]) > 20
        found = measure_job(job)
        assert np.nansum(found.injection.missing) == 0
        assert np.nansum(found.injection.pulse_ms == 0) > 5  # the cut itself is seen
        assert diagnose(job).verdict == "no_misfire"

    def test_channel_without_a_cylinder_says_so(self, tmp_path):
        job, _ = make_vehicle(
            tmp_path, channels=(ONE, CRANK, ("injector_voltage", (2,))), duration_s=6.0
        )
        head, tail = job.read_text().split('role = "injector_voltage"')
        lines = [line for line in tail.splitlines() if not line.startswith("cylinders")]
        job.write_text(head + 'role = "injector_voltage"' + "\n".join(lines) + "\n")
        found = measure_job(job)
        assert found.injection is None
        assert "injector_unnamed" in {f.code for f in found.findings}


class TestStarterRing:
    """A wheel without a gap that the job card does not name: its teeth come out of the sparks."""

    def test_lost_fuel_is_found_by_torque(self, tmp_path):
        job, truth = make_vehicle(
            tmp_path, faults=(NO_FUEL,), wheel={"positions": 135, "gaps": ()}, seed=5_000_213
        )
        job.write_text(leave_out(job.read_text(), "wheel"))
        found = measure_job(job)
        assert found.track.wheel.positions == 135
        assert any("135 teeth in a revolution" in f.message for f in found.findings)
        result = diagnose(job)
        assert (result.verdict, result.cylinders[0].cylinder) == ("misfire", 3)
        lost = sum(m for m, c in zip(truth["events"]["misfire"], truth["events"]["cylinder"],
                                     strict=True) if c == 3)  # fmt: skip
        assert result.cylinders[0].misfires == pytest.approx(lost, abs=0.15 * lost)


class TestDeadCrankLead:
    @pytest.mark.parametrize("what", ["", "wheel"])
    def test_the_sparks_are_read_all_the_same(self, tmp_path, what):
        """The lead hangs loose: the crank channel shows nothing, named wheel or not."""
        job, _ = make_vehicle(tmp_path, duration_s=8.0, seed=5_000_214)
        rate_hz, samples = wavfile.read(tmp_path / "capture.wav")
        samples = samples.copy()
        samples[:, 1] = 0
        wavfile.write(tmp_path / "capture.wav", rate_hz, samples)
        if what:
            job.write_text(leave_out(job.read_text(), what))
        result = diagnose(job)
        assert result.verdict != "misfire"
        assert "no_sync" in {f.code for f in result.findings}


class TestCranking:
    @pytest.mark.parametrize(
        "order", [(1, 3, 4, 2), (1, 2, 3), (1, 5, 3, 6, 2, 4), (1, 2, 4, 5, 3)]
    )
    def test_low_compression_in_every_witness(self, tmp_path, order):
        weak = order[-1]
        fault = {"type": "low_compression", "cylinder": weak, "severity": 0.5}
        job, _ = make_vehicle(
            tmp_path,
            order=order,
            channels=STARTER,
            faults=(fault,),
            condition="crank",
            duration_s=9.0,
            seed=5_000_220,
        )
        found = measure_job(job).compression
        names = ("starter current", "battery voltage", "cranking speed")
        assert set(found.relative) == set(names)
        for name in names:
            low = (found.relative[name] < 0.85) & (found.z[name] > 3.0)
            assert np.flatnonzero(low).tolist() == [weak - 1]
        # cross-check: the witnesses agree on how much
        shares = [found.relative[name][weak - 1] for name in names]
        assert np.ptp(shares) < 0.12
        first = diagnose(job).cylinders[0]
        assert first.cylinder == weak
        assert max(first.faults, key=lambda f: f[1])[0] == "low_compression"
        assert any("compression while cranking" in text for text in first.evidence)

    @pytest.mark.parametrize("seed", [5_000_230, 5_000_231, 5_000_232])
    def test_sound_engine_is_not_accused(self, tmp_path, seed):
        job, _ = make_vehicle(
            tmp_path, channels=STARTER, condition="crank", duration_s=9.0, seed=seed
        )
        found = measure_job(job).compression
        assert min(np.nanmin(shares) for shares in found.relative.values()) > 0.85
        result = diagnose(job)
        assert result.verdict != "misfire"
        assert max(c.probability for c in result.cylinders) < 0.5
