"""The connection plan: what is chosen, for how long, and a job card that can be read."""

from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom

import misfire
from misfire.classify.separability import find_separable
from misfire.errors import ParameterError
from misfire.hookup.plan import HookupWish, choose_places, make_engine, plan_hookup
from misfire.ingest.jobcard import parse_job_card
from misfire.records import CrankWheel
from misfire.report.hookup.page import format_hookup, format_hookup_text
from misfire.report.hookup.rates import format_rate, list_rates
from misfire.report.remedies import WORDS

ENGINES = [
    (1, "coil_on_plug"),
    (2, "wasted_spark"),
    (3, "coil_on_plug"),
    (4, "coil_on_plug"),
    (4, "wasted_spark"),
    (4, "distributor"),
    (5, "coil_on_plug"),
    (6, "wasted_spark"),
    (7, "coil_on_plug"),
    (8, "distributor"),
    (12, "coil_on_plug"),
]


def engine_of(n, ignition="coil_on_plug"):
    return make_engine(n, ignition=ignition)[0]


@pytest.mark.parametrize(("n", "ignition"), ENGINES)
@pytest.mark.parametrize("inputs", [1, 2, 4, 8])
def test_the_job_card_can_be_read_and_names_every_lead(n, ignition, inputs, tmp_path):
    wheel = CrankWheel(positions=36, gaps=((36,),), tdc_deg=70.0, sensor="hall")
    plan = plan_hookup(
        engine_of(n, ignition), HookupWish(inputs=inputs), wheel=wheel, vehicle="v", waves=False
    )
    job = parse_job_card(plan.card, folder=tmp_path, source="job.toml")
    assert job.engine == plan.engine
    assert [(c.role, c.cylinders) for c in job.channels] == [
        (lead.role, lead.cylinders) for lead in plan.leads
    ]
    assert len(plan.leads) + plan.free_inputs == inputs
    if any(lead.role == "crank" for lead in plan.leads):
        assert job.wheel == wheel


def test_an_input_more_never_tells_less():
    engine = engine_of(4)
    told = [plan_hookup(engine, HookupWish(inputs=n), waves=False).told for n in range(1, 8)]
    counts = [sum(len(t.types) * len(t.cylinders) for t in row) for row in told]
    assert counts == sorted(counts)
    assert counts[-1] == 4 * 7  # every cylinder, every type of the contract


def test_the_usual_hook_up_of_three_inputs():
    # common practice, DESIGN: one primary as reference, the crank, the clamp round the feed
    roles = {role for role, _ in choose_places(engine_of(4), HookupWish(inputs=3))}
    assert roles == {"coil_primary", "crank", "coil_current"}


@pytest.mark.parametrize("suspect", [1, 2, 3, 4])
def test_the_suspect_s_coil_comes_first(suspect):
    plan = plan_hookup(engine_of(4), HookupWish(inputs=3, suspect=suspect), waves=False)
    primary = next(lead for lead in plan.leads if lead.role == "coil_primary")
    assert primary.cylinders == (suspect,)
    own = next(t for t in plan.told if suspect in t.cylinders)
    assert set(own.types) == find_separable({"burn", "switching", "torque", "current"})


def test_waste_spark_gets_a_sign_of_the_cycle():
    plan = plan_hookup(engine_of(4, "wasted_spark"), HookupWish(inputs=3), waves=False)
    assert {"coil_secondary", "cam"} & {lead.role for lead in plan.leads}
    alone = plan_hookup(engine_of(4, "wasted_spark"), HookupWish(inputs=1), waves=False)
    assert "360 degrees apart" in alone.resolved or "marks the cycle" in alone.resolved


@pytest.mark.parametrize("one_in", [5, 20, 100, 500, 2000])
@pytest.mark.parametrize("rpm", [700.0, 2500.0])
def test_the_length_catches_the_fault(one_in, rpm):
    # reference: scipy's binomial distribution
    plan = plan_hookup(engine_of(4), HookupWish(one_in=one_in, rpm=rpm), waves=False)
    chosen = plan.chosen
    assert binom.sf(0, chosen.firings, 1 / one_in) >= 0.95
    assert binom.sf(0, chosen.firings - 1, 1 / one_in) < 0.95
    assert chosen.seconds * rpm / 120 >= chosen.firings  # one firing in two turns
    samples = chosen.seconds * plan.rate_hz * len(plan.leads)
    assert chosen.megabytes == pytest.approx(2 * samples / 1e6)


class Outline(HTMLParser):
    """Collects tags, ids and what points outside."""

    def __init__(self):
        super().__init__()
        self.ids, self.outside, self.open = [], [], []

    def handle_starttag(self, tag, attrs):
        names = dict(attrs)
        if "id" in names:
            self.ids.append(names["id"])
        self.outside += [v for k, v in attrs if k in ("src", "href") and v]
        if tag == "script":
            self.outside.append("script")


@pytest.fixture(scope="module")
def waste_plan():
    return plan_hookup(
        engine_of(4, "wasted_spark"), HookupWish(inputs=5, suspect=3), vehicle="<b>van</b> & co"
    )


def test_the_page_is_whole_and_needs_nothing(waste_plan):
    page = format_hookup(waste_plan)
    outline = Outline()
    outline.feed(page)
    assert outline.outside == []
    assert len(outline.ids) == len(set(outline.ids))
    assert "<b>van</b>" not in page
    for part in ("dwell", "switch-off", "firing line", "spark line", "end of burn", "ring-down"):
        assert f">{part}" in page
    assert "nan" not in page.lower().replace("nance", "")
    assert page.count('class="disc-words"') == 2 * 5  # each number at both ends of its lead


def test_the_waveform_is_that_of_the_simulated_coil(waste_plan):
    waves = {w.role: w for w in waste_plan.expected}
    primary = waves["coil_primary"]
    # The textbook order of the parts: low while charging, kick at 0, spark line, rest at supply.
    dwell = (primary.x > -0.9 * primary.dwell_ms) & (primary.x < -0.1 * primary.dwell_ms)
    spark = (primary.x > 0.3 * primary.burn_ms) & (primary.x < 0.9 * primary.burn_ms)
    assert np.median(primary.y[dwell]) < 3.0
    assert abs(primary.x[np.argmax(primary.y)]) < 0.05
    assert primary.y.max() > 100.0
    assert np.median(primary.y[spark]) > 16.0
    current = waves["coil_current"]
    assert current.x[np.argmax(current.y)] == pytest.approx(0.0, abs=0.02)


def test_text_for_the_terminal(waste_plan):
    text = format_hookup_text(waste_plan)
    assert "battery negative" in text
    assert "binomial" in text
    assert max(map(len, text.splitlines())) <= 100


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"inputs": 0}, "inputs"),
        ({"inputs": 99}, "inputs"),
        ({"one_in": 0}, "one-in"),
        ({"rpm": 5.0}, "rpm"),
        ({"rate_hz": 1e3}, "rate"),
        ({"rate_hz": float("nan")}, "rate"),
    ],
)
def test_wishes_that_cannot_be(change, field):
    with pytest.raises(ParameterError, match=field):
        HookupWish(**change)


def test_a_suspect_that_is_not_there():
    with pytest.raises(ParameterError, match="suspect"):
        plan_hookup(engine_of(4), HookupWish(suspect=5), waves=False)


def test_an_engine_that_cannot_be():
    with pytest.raises(ParameterError, match="cylinders"):
        make_engine(13)
    with pytest.raises(ParameterError, match="firing_order"):
        make_engine(4, firing_order=(1, 2, 3, 3))


@pytest.mark.parametrize("rate_hz", [50e3, 100e3, 200e3, 250e3, 500e3, 1e6])
def test_the_plan_promises_what_its_rate_can_show(rate_hz):
    # measured on drawn sweeps: burn time from 100 kS/s, firing voltage from 500 kS/s
    wish = HookupWish(inputs=8, rate_hz=rate_hz)
    plan = plan_hookup(engine_of(4), wish, waves=False)
    lines = " ".join(format_hookup_text(plan, width=2000).splitlines())
    for name, least in (("burn time", 100e3), ("firing voltage", 500e3)):
        words = lines.split(f"{name} from {format_rate(least)}: ")[1]
        assert words.startswith("lower than wanted") is (rate_hz < least)
    cells = find_cells(format_hookup(plan))
    assert cells.count("firing voltage") == 1
    at = cells.index("firing voltage")
    assert cells[at + 2].startswith("lower than wanted") is (rate_hz < 500e3)


def find_cells(page):
    class Cells(HTMLParser):
        found, inside = [], False

        def handle_starttag(self, tag, attrs):
            self.inside = tag in ("td", "th")

        def handle_endtag(self, tag):
            self.inside = self.inside and tag not in ("td", "th")

        def handle_data(self, data):
            if self.inside:
                self.found.append(data.strip())

    parser = Cells()
    parser.found = []
    parser.feed(page)
    return parser.found


@pytest.mark.parametrize(
    ("positions", "rpm", "least"), [(60, 6000.0, 50e3), (36, 6000.0, 50e3), (60, 3000.0, 20e3)]
)
def test_the_crank_needs_six_samples_a_tooth(positions, rpm, least):
    wheel = CrankWheel(positions, ((positions,),))
    row = next(r for r in list_rates(wheel, rpm=rpm) if r.roles == ("crank",))
    assert row.least_hz == least
    # samples a second over teeth a second, at the rate named and not at half of it
    assert row.least_hz / (positions * rpm / 60) >= 6


def test_the_handbook_and_the_check_say_the_same_as_the_plan():
    page = (Path(misfire.__file__).parent / "docs" / "recording.md").read_text(encoding="utf-8")
    remedy = WORDS["rate_low"][1]
    for row in list_rates():
        rate = format_rate(row.least_hz)
        assert f"| {row.quantity} | {rate} | {row.well} | {row.below} |" in page
        assert f"{row.quantity} from {rate}" in remedy
    assert page.count("thousand") == 0  # rates stand in the table alone
