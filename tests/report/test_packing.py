"""Waveforms in the page: which stay where there is not room for all."""

import numpy as np
import pytest

from misfire.records import FiringWaves
from misfire.report.pictures.packing import pack_waves
from tests.builders.diagnoses import make_diagnosis

LOST, SOUND, CELLS = 40, 200, 60


@pytest.fixture
def diagnosis():
    """A diagnosis with two channels, of which the second saw no lost firing."""
    found = make_diagnosis()
    probability = found.events["misfire_probability"].to_numpy(dtype=float)
    lost, sound = np.flatnonzero(probability >= 0.5)[:LOST], np.flatnonzero(probability < 0.5)
    rng = np.random.default_rng(3)
    waves = tuple(
        FiringWaves(name, "coil_primary", "V", np.arange(CELLS) / 10.0, rows,
                    rng.normal(size=(rows.size, CELLS)).astype(np.float32), {})
        for name, rows in (
            ("one", np.concatenate((lost, sound[:SOUND]))),
            ("two", sound[SOUND : 2 * SOUND]),
        )
    )  # fmt: skip
    object.__setattr__(found, "waves", waves)
    return found


def pack(diagnosis, room):
    packed = pack_waves(diagnosis, room=room)
    assert sum(len(p["residual"]) for p in packed) <= room
    return {p["channel"]: (p["count"], p["kept_of"]) for p in packed}


def test_all_stay_where_there_is_room(diagnosis):
    assert pack(diagnosis, 10**6) == {"one": (LOST + SOUND, LOST + SOUND), "two": (SOUND, SOUND)}


def test_lost_firings_stay_before_sound_ones_of_any_channel(diagnosis):
    full = sum(len(p["residual"]) for p in pack_waves(diagnosis, room=10**6))
    for share in (0.7, 0.4, 0.2):
        counts = pack(diagnosis, int(share * full))
        assert counts["one"][0] >= LOST
        assert 0 < counts["two"][0] < SOUND
        # what is left is shared by the channels alike: they have as many sound firings
        assert counts["one"][0] - LOST == pytest.approx(counts["two"][0], abs=1)
    counts = pack(diagnosis, int(0.05 * full))
    assert 0 < counts["one"][0] < LOST
    assert counts["two"][0] == 1


def test_no_room_at_all(diagnosis):
    assert pack_waves(diagnosis, room=10) == []
