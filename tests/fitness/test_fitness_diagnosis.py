"""A diagnosis of a recording with a wrong scale or polarity: said so, and the answer the same."""

import pytest

from misfire.diagnosis.chain import diagnose_recording
from misfire.fitness.scale import correct_recording
from tests.builders.spoiled import wrap
from tests.fitness.test_fitness import made, reverse, scaled, swap


@pytest.fixture(scope="module")
def sound():
    return diagnose_recording(wrap(made("waste spark")))


@pytest.mark.parametrize(
    ("code", "spoil", "change"),
    [
        ("polarity_reversed", reverse("primary 2"), None),
        ("attenuation_wrong", None, scaled("primary 2", 0.1)),
        ("attenuation_wrong", None, scaled("primary 2", 10.0)),
    ],
    ids=["turned", "a tenth", "tenfold"],
)
def test_the_answer_is_that_of_the_sound_recording(sound, code, spoil, change):
    spoiled = diagnose_recording(wrap(made("waste spark"), spoil=spoil, card=change))
    assert (code, "primary 2") in {(f.code, f.channel) for f in spoiled.findings}
    assert spoiled.verdict == sound.verdict
    for column in ("dwell_ms", "primary_peak_v", "burn_time_ms"):
        # the lowest count has no opposite: one count of 0.25 V at a kick's top may differ
        assert spoiled.events[column].to_numpy() == pytest.approx(
            sound.events[column].to_numpy(), abs=0.3, nan_ok=True
        )


def test_a_wrong_firing_order_is_in_the_quality():
    spoiled = diagnose_recording(
        wrap(made("four, all primaries"), spoil=swap("primary 2", "primary 3"))
    )
    assert "firing_order_wrong" in {f.code for f in spoiled.findings}


def test_a_sound_recording_is_left_as_it_is():
    recording = wrap(made("four, feed"))
    assert correct_recording(recording) is recording
