"""`check`: names the planted defect in a matrix of spoiled recordings, silent on sound ones.

The truth is what was planted; the recordings are simulated, of engines of different layout.
"""

import functools
import re

import numpy as np
import pytest

import misfire
from misfire.diagnosis.chain import diagnose_recording
from misfire.errors import CycleError
from misfire.fitness.checking import check_recording, drop_following
from misfire.fitness.scale import find_primary_factor
from misfire.records import Finding
from misfire.report.remedies import WORDS, explain
from misfire.report.summary import build_summary
from misfire.simulate.recording import simulate
from misfire.simulate.scenario import (
    ChannelModel,
    CoilModel,
    DriveModel,
    EngineModel,
    InstrumentModel,
    Scenario,
    WheelModel,
)
from tests.builders.spoiled import thin_out, wrap
from tests.deception.__main__ import write_decoy

RATE_HZ = 100e3


def primary(*cylinders, full=500.0, **more):
    return ChannelModel(
        role="coil_primary", cylinders=cylinders, name=f"primary {cylinders[0]}", range=full, **more
    )


CRANK = ChannelModel(role="crank", name="crank", range=20.0)
FEED = ChannelModel(role="coil_current", name="feed", range=20.0, noise=0.003, bandwidth_hz=30e3)
HALL = WheelModel(positions=36, gaps=((36,),), sensor="hall", tdc_deg=70.0)
V6 = EngineModel(cylinders=6, firing_order=(1, 4, 2, 5, 3, 6), displacement_l=3.0)
WASTE = EngineModel(ignition="wasted_spark")
BATTERY = ChannelModel(role="battery_voltage", name="battery", range=20.0, noise=0.001)

LAYOUTS = {
    "four, feed": {"channel": (primary(1), CRANK, FEED)},
    "four, all primaries": {"channel": (*(primary(c) for c in (1, 2, 3, 4)), CRANK)},
    "four, no crank": {"channel": tuple(primary(c) for c in (1, 2, 3, 4))},
    "waste spark": {"engine": WASTE, "channel": (primary(1, 4), primary(2, 3), CRANK)},
    "V6, Hall": {
        "engine": V6,
        "crank_wheel": HALL,
        "channel": (primary(1), CRANK, FEED, BATTERY),
    },
    "three": {
        "engine": EngineModel(cylinders=3, firing_order=(1, 2, 3), displacement_l=1.0),
        "channel": (primary(1), primary(3), CRANK),
    },
    "five, 8 bits": {
        "engine": EngineModel(cylinders=5, firing_order=(1, 2, 4, 5, 3), displacement_l=2.3),
        "instrument": (InstrumentModel(rate_hz=RATE_HZ, bits=8),),
        "channel": (primary(1, full=400.0), CRANK, FEED),
    },
    "distributor": {
        "engine": EngineModel(ignition="distributor"),
        "channel": (
            primary(1, 2, 3, 4),
            CRANK,
            ChannelModel(
                role="coil_secondary", name="pick-up", cylinders=(1,), range=10.0, gain=0.3
            ),
        ),
    },
    "odd-fire V6": {
        "engine": EngineModel(
            cylinders=6,
            firing_order=(1, 6, 5, 4, 3, 2),
            firing_angles_deg=(0.0, 90.0, 240.0, 330.0, 480.0, 570.0),
        ),
        "channel": (primary(1), CRANK, FEED),
    },
    "twin, 270": {
        "engine": EngineModel(
            cylinders=2, firing_order=(1, 2), firing_angles_deg=(0.0, 270.0), displacement_l=0.7
        ),
        "channel": (primary(1), primary(2), CRANK),
    },
    "single": {
        "engine": EngineModel(cylinders=1, firing_order=(1,), displacement_l=0.4),
        "crank_wheel": WheelModel(positions=24, gaps=((24,),), tdc_deg=60.0),
        "channel": (primary(1), CRANK),
    },
    "driving": {"drive": DriveModel(condition="drive"), "channel": (primary(1), CRANK, FEED)},
    "cold V8": {
        "engine": EngineModel(
            cylinders=8, firing_order=(1, 8, 4, 3, 6, 5, 7, 2), displacement_l=5.0, inertia_kgm2=0.3
        ),
        "coil": CoilModel(turns_ratio=90.0, target_a=9.0),
        "drive": DriveModel(condition="cold_idle"),
        "channel": (primary(1), CRANK, FEED),
    },
}


@functools.cache
def made(layout):
    """Simulate each layout once."""
    return simulate(Scenario(seed=5, duration_s=8.0, **{
        "instrument": (InstrumentModel(rate_hz=RATE_HZ),), **LAYOUTS[layout]
    }))  # fmt: skip


def warned(fitness):
    """List what a user must act on: code and channel."""
    return {(f.code, f.channel) for f in fitness.findings if f.severity != "info"}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_silent_on_sound_recordings(layout):
    fitness = check_recording(wrap(made(layout)))
    assert warned(fitness) == set()
    assert fitness.fit
    assert fitness.n_firings >= 40  # 8 s at 650 /min or more: 43 cycles


def cut(name, level):
    def spoil(counts):
        np.clip(counts[name], -level, level, out=counts[name])

    return spoil


def scale_down(name, by):
    def spoil(counts):
        counts[name][:] = np.rint(counts[name] / by)

    return spoil


def add(names, wave):
    """Add counts that are a function of time."""

    def spoil(counts):
        for name in names:
            time_s = np.arange(counts[name].size) / RATE_HZ
            loud = counts[name] + wave(time_s)
            counts[name][:] = np.clip(np.rint(loud), -2048, 2047)

    return spoil


def hold(name, *spans):
    def spoil(counts):
        for start, stop in spans:
            a, b = int(start * RATE_HZ), int(stop * RATE_HZ)
            counts[name][a:b] = counts[name][a]

    return spoil


def fade(name, start, stop, level=0):
    """Leave nothing but noise."""

    def spoil(counts):
        a, b = int(start * RATE_HZ), int(stop * RATE_HZ)
        counts[name][a:b] = level + np.random.default_rng(0).normal(0, 4, b - a).round()

    return spoil


def swap(one, two):
    def spoil(counts):
        counts[one], counts[two] = counts[two], counts[one]

    return spoil


def spikes(name, height):
    """Write what each of cylinder 1's switch-offs would induce."""

    def spoil(counts):
        kick = np.flatnonzero(np.diff((counts["primary 1"] > 400).astype(int)) == 1)
        for at in kick[(kick > 0) & (kick < counts[name].size - 8)]:
            counts[name][at + 1 : at + 4] = np.clip(
                counts[name][at + 1 : at + 4] + np.array([height, -height, height // 2]),
                -2048,
                2047,
            )

    return spoil


def reverse(name):
    def spoil(counts):
        counts[name][:] = -np.maximum(counts[name], -2047)

    return spoil


def card(pattern, text):
    def change(old):
        new = re.sub(pattern, text, old, count=1, flags=re.MULTILINE)
        assert new != old
        return new

    return change


def scaled(name, by):
    """Change the scale of one channel on the card."""

    def change(old):
        head, mark, tail = old.rpartition(f'name = "{name}"')
        before, scale, rest = head.rpartition("scale = ")
        value, _, more = rest.partition("\n")
        return f"{before}{scale}{float(value) * by!r}\n{more}{mark}{tail}"

    return change


def noise(sigma):
    rng = np.random.default_rng(1)
    return lambda t: rng.normal(0, sigma, t.size)


def sine(hertz, height):
    return lambda t: height * np.sin(2 * np.pi * hertz * t)


# Counts: the primary has 0.244 V a count, feed and crank 0.0098 A or V; all of 12 bits.
MATRIX = [
    ("kick cut at 45 V", "four, feed", "clipped", "primary 1", cut("primary 1", 185), None),
    ("current cut at 4 A", "four, feed", "clipped", "feed", cut("feed", 410), None),
    ("crank cut", "four, all primaries", "clipped", "crank", cut("crank", 120), None),
    ("coarse primary", "three", "low_resolution", "primary 1", scale_down("primary 1", 25), None),
    ("coarse clamp", "four, feed", "low_resolution", "feed", scale_down("feed", 60), None),
    ("coarse crank", "waste spark", "low_resolution", "crank", scale_down("crank", 80), None),
    (
        "offset of 20 V",
        "waste spark",
        "earth_offset",
        "primary 2",
        add(["primary 2"], lambda t: 80.0),
        None,
    ),
    ("noise of 5 V", "three", "noisy", "primary 3", add(["primary 3"], noise(20)), None),
    ("noise on the crank", "four, feed", "noisy", "crank", add(["crank"], noise(80)), None),
    (
        "alternator, 3 V",
        "four, all primaries",
        "alternator_ripple",
        "primary 2",
        add(["primary 2"], sine(1130.0, 6)),
        None,
    ),
    (
        "alternator on the battery",
        "V6, Hall",
        "alternator_ripple",
        "battery",
        add(["battery"], sine(1400.0, 110)),
        None,
    ),
    ("mains on the clamp", "four, feed", "mains_hum", "feed", add(["feed"], sine(50.0, 100)), None),
    (
        "mains on the primary",
        "three",
        "mains_hum",
        "primary 1",
        add(["primary 1"], sine(60.0, 20)),
        None,
    ),
    (
        "mains on the crank",
        "waste spark",
        "mains_hum",
        "crank",
        add(["crank"], sine(50.0, 90)),
        None,
    ),
    ("sparks on the crank", "single", "ignition_crosstalk", "crank", spikes("crank", 400), None),
    ("clamp not zeroed", "V6, Hall", "clamp_zero", "feed", add(["feed"], lambda t: 160.0), None),
    ("clamp drifts", "four, feed", "clamp_drift", "feed", add(["feed"], lambda t: 25 * t), None),
    ("crank stands still", "four, feed", "dropout", "crank", hold("crank", (3.0, 3.2)), None),
    (
        "primary stands still",
        "twin, 270",
        "dropout",
        "primary 2",
        hold("primary 2", (2.0, 2.05), (5.0, 5.4)),
        None,
    ),
    (
        "primary gone",
        "four, all primaries",
        "dropout",
        "primary 3",
        fade("primary 3", 3.0, 4.0),
        None,
    ),
    ("clamp gone", "four, feed", "dropout", "feed", fade("feed", 3.0, 4.5), None),
    (
        "wrong order",
        "four, all primaries",
        "firing_order_wrong",
        "",
        None,
        card(r"\[1, 3, 4, 2\]", "[1, 2, 4, 3]"),
    ),
    (
        "wrong order, no crank",
        "four, no crank",
        "firing_order_wrong",
        "",
        None,
        card(r"\[1, 3, 4, 2\]", "[1, 4, 3, 2]"),
    ),
    (
        "wrong order of coils",
        "waste spark",
        "firing_order_wrong",
        "",
        None,
        card(r"\[1, 3, 4, 2\]", "[1, 4, 3, 2]"),
    ),
    (
        "wrong order of three",
        "three",
        "firing_order_wrong",
        "",
        None,
        card(r"\[1, 2, 3\]", "[1, 3, 2]"),
    ),
    (
        "wrong wheel",
        "four, feed",
        "wheel_wrong",
        "crank",
        None,
        card(r"positions = 60\nmissing = 2", "positions = 36\nmissing = 1"),
    ),
    (
        "wrong wheel, Hall",
        "V6, Hall",
        "wheel_wrong",
        "crank",
        None,
        card(r"positions = 36\nmissing = 1", "positions = 60\nmissing = 2"),
    ),
    (
        "10:1 forgotten",
        "four, feed",
        "attenuation_wrong",
        "primary 1",
        None,
        scaled("primary 1", 0.1),
    ),
    (
        "20:1 forgotten",
        "five, 8 bits",
        "attenuation_wrong",
        "primary 1",
        None,
        scaled("primary 1", 0.05),
    ),
    (
        "10:1 twice",
        "distributor",
        "attenuation_wrong",
        "primary 1",
        None,
        scaled("primary 1", 10.0),
    ),
    ("clamp of 100 mV/A", "V6, Hall", "attenuation_wrong", "feed", None, scaled("feed", 10.0)),
    ("clamp reversed", "four, feed", "polarity_reversed", "feed", reverse("feed"), None),
    (
        "primary reversed",
        "waste spark",
        "polarity_reversed",
        "primary 2",
        reverse("primary 2"),
        None,
    ),
    (
        "dead primary",
        "four, all primaries",
        "dead_channel",
        "primary 4",
        fade("primary 4", 0.0, 8.0),
        None,
    ),
    ("dead clamp", "V6, Hall", "dead_channel", "feed", fade("feed", 0.0, 8.0, 12), None),
    ("dead crank", "four, feed", "dead_channel", "crank", fade("crank", 0.0, 8.0), None),
    ("crank and primary swapped", "three", "role_wrong", "crank", swap("crank", "primary 1"), None),
    ("feed and crank swapped", "four, feed", "role_wrong", "feed", swap("crank", "feed"), None),
    (
        "primary and feed swapped",
        "four, feed",
        "role_wrong",
        "primary 1",
        swap("primary 1", "feed"),
        None,
    ),
    (
        "leads of 2 and 3 swapped",
        "four, all primaries",
        "firing_order_wrong",
        "",
        swap("primary 2", "primary 3"),
        None,
    ),
]


@pytest.mark.parametrize(
    ("layout", "code", "channel", "spoil", "change"),
    [row[1:] for row in MATRIX],
    ids=[row[0] for row in MATRIX],
)
def test_names_the_planted_defect(layout, code, channel, spoil, change):
    fitness = check_recording(wrap(made(layout), card=change, spoil=spoil))
    assert (code, channel) in warned(fitness)
    named = next(f for f in fitness.findings if f.code == code)
    assert all(explain(named))  # consequence and remedy


def test_a_coils_command_is_told_from_its_primary(tmp_path):
    # two levels and nothing above: a coil that is switched off kicks (any handbook of ignition)
    job, _ = write_decoy("lead on the trigger", 17100, tmp_path)
    fitness = misfire.check(job)
    wrong = {f.channel for f in fitness.quality if f.code == "role_wrong"}
    assert wrong == {"coil primary 1", "coil primary 2"}  # the lead of coil 3 is where it belongs


def test_the_matrix_is_as_large_as_asked():
    assert len({row[2] for row in MATRIX}) >= 15


def test_rate_too_low():
    recording = thin_out(wrap(made("four, feed")), 5)  # 20 kS/s: a tooth at idle has 25 samples
    named = warned(check_recording(recording))
    assert ("rate_low", "primary 1") in named
    assert ("rate_low", "crank") not in named


def test_rate_too_low_for_the_teeth():
    # 100 kS/s / 25 = 4 kS/s: 58 teeth at 800 /min come 773 times a second, 5.2 samples each
    named = warned(check_recording(thin_out(wrap(made("waste spark")), 25)))
    assert ("rate_low", "crank") in named


def test_too_short_for_the_rarity():
    recording = wrap(made("four, feed"))
    assert ("too_short", "") not in warned(check_recording(recording))
    fitness = check_recording(recording, one_in=200)
    assert ("too_short", "") in warned(fitness)
    message = next(f.message for f in fitness.findings if f.code == "too_short")
    assert "598" in message  # ln 0.05 / ln(1 - 1/200) = 597.6


def test_what_only_follows_from_swapped_leads_is_no_news():
    # a lead on the wrong coil fires where no firing is due: that is no drop-out of its channel
    order = Finding("firing_order_wrong", "error", "1-3-4-2; leads are swapped")
    follows = [Finding(code, "warning", "at the wrong place", "coil") for code in (
        "dropout", "sparks_misplaced")]  # fmt: skip
    clipped = Finding("clipped", "warning", "at 400 V", "coil")
    assert drop_following([order, *follows, clipped]) == (order, clipped)
    assert drop_following([*follows, clipped]) == (*follows, clipped)


def test_the_supported_order_is_named():
    fitness = check_recording(
        wrap(made("four, all primaries"), card=card(r"\[1, 3, 4, 2\]", "[1, 2, 4, 3]"))
    )
    message = next(f.message for f in fitness.findings if f.code == "firing_order_wrong")
    assert "signals support 1-3-4-2" in message


def test_the_supported_wheel_is_named():
    fitness = check_recording(
        wrap(
            made("four, feed"),
            card=card(r"positions = 60\nmissing = 2", "positions = 36\nmissing = 1"),
        )
    )
    message = next(f.message for f in fitness.findings if f.code == "wheel_wrong")
    assert "60-2" in message


@pytest.mark.parametrize("factor", [0.1, 0.2, 5.0, 10.0, 20.0, 50.0, 100.0])
def test_attenuation_by_supply_and_kick(factor):
    # 13.5 V supply and a driver that clamps at 400 V: ANCHORS C1
    assert find_primary_factor(13.5 / factor, 390.0 / factor) == factor


@pytest.mark.parametrize(
    ("step", "kick"), [(9.0, 350.0), (14.3, 420.0), (27.0, 400.0), (13.0, 120.0)]
)
def test_sound_primaries_need_no_factor(step, kick):
    assert find_primary_factor(step, kick) == 1.0


def test_every_finding_of_the_matrix_is_explained():
    for code in {row[2] for row in MATRIX}:
        assert all(explain(Finding(code, "warning", "")))
    assert all(all(words) for words in WORDS.values())


@pytest.mark.parametrize(
    ("layout", "code", "channel", "spoil", "change"),
    [row[1:] for row in MATRIX if row[2] in ("role_wrong", "firing_order_wrong")],
    ids=[row[0] for row in MATRIX if row[2] in ("role_wrong", "firing_order_wrong")],
)
def test_a_diagnosis_says_the_same_of_swapped_channels(layout, code, channel, spoil, change):
    recording = wrap(made(layout), card=change, spoil=spoil)
    if "no crank" in layout:  # nothing else tells the cycle: refused, with the fields to look at
        with pytest.raises(CycleError, match="check firing_order, the channels' cylinders"):
            diagnose_recording(recording)
        return
    found = diagnose_recording(recording)
    assert (code, channel) in {(f.code, f.channel) for f in found.findings}
    assert found.verdict != "misfire"
    if code == "role_wrong":
        assert found.verdict == "inconclusive"
        assert "correct the job card" in found.notes[0]
    remedies = {q["code"]: q["remedy"] for q in build_summary(found)["quality"]}
    assert remedies[code] == WORDS[code][1]


@pytest.mark.parametrize("code", ["attenuation_wrong", "polarity_reversed"])
def test_what_was_put_right_is_said_to_be(code):
    # `check` and `diagnose` read the channel alike, so the words must not say that values suffer
    spoiled = {row[2]: row for row in reversed(MATRIX)}[code]
    _, layout, _, channel, spoil, change = spoiled
    found = diagnose_recording(wrap(made(layout), card=change, spoil=spoil))
    (told,) = [f for f in found.findings if (f.code, f.channel) == (code, channel)]
    assert "inverted for reading" in told.message or "were corrected" in told.message
    consequence, remedy = explain(told)
    assert "for reading" in consequence
    assert "job card" in remedy
