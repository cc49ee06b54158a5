import base64

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from misfire.errors import ParameterError
from misfire.report.diagnosis.story import write_headline
from misfire.report.pictures import svg
from misfire.report.pictures.firing_view import (
    ChannelView,
    FiringView,
    Mark,
    choose_part,
    format_firing_picture,
)
from misfire.report.pictures.timeline import MAX_EVENTS, bin_speed, pack_timeline
from misfire.report.wording import format_percent
from tests.builders.diagnoses import make_diagnosis, make_events


def unpack(data):
    """Read the packed firings back: time [s], probability, cylinder; fillers dropped."""
    delta = np.frombuffer(base64.b64decode(data["delta_ms"]), "<u2").astype(np.int64)
    byte = np.frombuffer(base64.b64decode(data["probability"]), "u1")
    owner = np.frombuffer(base64.b64decode(data["cylinder"]), "u1")
    real = owner > 0
    return np.cumsum(delta)[real] / 1000, byte[real], owner[real]


def test_packed_firings_read_back():
    diagnosis = make_diagnosis()
    time_s, byte, owner = unpack(pack_timeline(diagnosis))
    events = diagnosis.events
    assert time_s == pytest.approx(events["time_s"].to_numpy(), abs=0.0005001)
    assert owner.tolist() == events["cylinder"].tolist()
    probability = events["misfire_probability"].to_numpy()
    assert ((byte == 255) == np.isnan(probability)).all()
    judged = ~np.isnan(probability)
    assert byte[judged] / 254 == pytest.approx(probability[judged], abs=0.5 / 254 + 1e-9)
    assert ((byte >= 127) & (byte < 255)).sum() == 57


@pytest.mark.parametrize("pause_s", [65.0, 65.535, 65.536, 200.0, 3600.0])
def test_long_pauses_survive_packing(pause_s):
    events, _, _ = make_events()
    events.loc[2000:, "time_s"] += pause_s
    diagnosis = make_diagnosis(events=events)
    time_s, _, _ = unpack(pack_timeline(diagnosis))
    assert time_s == pytest.approx(events["time_s"].to_numpy(), abs=0.0005001)


def test_a_firing_on_the_line_keeps_its_side():
    events, _, _ = make_events(clusters=())
    events["misfire_probability"] = np.where(np.arange(len(events)) % 2, 0.5, 0.4999999)
    _, byte, _ = unpack(pack_timeline(make_diagnosis(events=events)))
    assert ((byte >= 127) == (np.arange(byte.size) % 2 == 1)).all()


def test_of_too_many_firings_all_lost_ones_are_kept():
    diagnosis = make_diagnosis(cycles=37_500)
    data = pack_timeline(diagnosis)
    time_s, byte, _ = unpack(data)
    assert data["shown"] == time_s.size == MAX_EVENTS
    assert data["total"] == 150_000
    assert ((byte >= 127) & (byte < 255)).sum() == 57
    assert (np.diff(time_s) >= 0).all()


def test_speed_pieces_hold_the_extremes():
    diagnosis = make_diagnosis()
    _, low, high = bin_speed(diagnosis, bins=600)
    assert np.nanmin(low) == diagnosis.rpm.min()
    assert np.nanmax(high) == diagnosis.rpm.max()
    index = np.minimum((diagnosis.rpm_s / diagnosis.duration_s * 600).astype(int), 599)
    for k in (0, 77, 599):  # the slow, obvious way
        assert high[k] == max(diagnosis.rpm[index == k], default=np.nan)


@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=300), st.floats(0.01, 50))
def test_thinning_keeps_the_extremes_and_the_ends(values, column):
    y = np.array(values)
    x = np.arange(y.size, dtype=float)
    tx, ty = svg.thin(x, y, column=column)
    assert ty.min() == y.min()
    assert ty.max() == y.max()
    assert (tx[0], tx[-1]) == (x[0], x[-1])
    assert (np.diff(tx) > 0).all()
    assert (y[tx.astype(int)] == ty).all()
    assert tx.size <= 2 * (np.floor((x.size - 1) / column) + 1) + 2


@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e5), st.integers(2, 12))
def test_ticks_are_round_and_inside(low, span, count):
    high = low + span
    ticks = svg.find_ticks(low, high, count=count)
    assert len(ticks) <= count + 1
    assert len(set(ticks)) == len(ticks)
    slack = 1e-6 * max(span, abs(low), abs(high))
    assert all(low - slack <= t <= high + slack for t in ticks)


def test_a_flat_signal_has_a_scale():
    scale = svg.make_scale(5.0, 5.0, 0.0, 100.0)
    assert scale.at(5.0) == pytest.approx(50.0)


def test_labels_are_escaped():
    assert svg.text(0, 0, "<b>&") == '<text x="0.0" y="0.0">&lt;b&gt;&amp;</text>'


def test_certainty_never_reads_as_complete_when_it_is_not():
    assert format_percent(0.99999) == "over 99 %"
    assert format_percent(0.00001) == "under 0.01 %"


def test_headline_without_any_cylinder():
    assert write_headline(make_diagnosis(cylinders=())) == (
        "The engine misfires, but no cylinder can be named."
    )


def make_view():
    time_ms = np.arange(-3.0, 4.0, 0.002)
    values = np.where(time_ms > 0, 40.0, 1.0)
    marks = (Mark("switch-off", 0.0), Mark("breakdown", 0.03), Mark("end of burn", 1.5))
    channel = ChannelView("coil 3", "coil_primary", "V", time_ms, values, marks)
    return FiringView("v", "s", 3, 1.0, 800.0, 7, (channel,), (), (-3.0, 4.0), (-9.0, 9.0), ())


@pytest.mark.parametrize(
    ("part", "start", "stop", "named"),
    [("breakdown", -0.05, 0.25, False), ("spark", -0.15, 4.0, True), ("whole", -3.0, 4.0, True)],
)
def test_a_part_of_a_firing_is_shown_over_its_whole_width(part, start, stop, named):
    shown = choose_part(make_view(), part)
    assert shown.near_ms == pytest.approx((start, stop))
    at = shown.near[0].time_ms
    assert at[0] == pytest.approx(start, abs=0.005)  # a sample on either side of the frame
    assert at[-1] == pytest.approx(stop, abs=0.005)
    picture = format_firing_picture(shown)
    assert "breakdown" in picture
    assert ("end of burn" in picture.split("<style>")[1]) is named


def test_a_part_that_is_none_is_refused():
    with pytest.raises(ParameterError, match="--part must be one of whole, breakdown, spark"):
        choose_part(make_view(), "tail")
