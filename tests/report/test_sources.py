"""Every number on page one is traced to rows of events.parquet, and they give it again."""

import io
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from scipy import stats

from misfire.diagnosis.chain import diagnose
from misfire.report.diagnosis.files import format_parquet
from misfire.report.diagnosis.page import format_page
from tests.builders.diagnoses import make_diagnosis, make_quiet_diagnosis

DEMO = Path(__file__).resolve().parents[2] / "data_demo" / "job.toml"


def agree(made):
    """Make counts, speed and panels of a made-up diagnosis agree with its rows, as real ones do."""
    events = made.events
    judged = events[events["misfire_probability"].notna()]
    lost_s = tuple(events.loc[events["misfire_probability"] >= 0.5, "time_s"][:8])
    return replace(
        made,
        cylinders=tuple(
            replace(c, cycles=int((judged["cylinder"] == c.cylinder).sum())) for c in made.cylinders
        ),
        rpm=events["rpm"].to_numpy(),
        rpm_s=events["time_s"].to_numpy(),
        panels=tuple(replace(p, suspect_time_s=lost_s) for p in made.panels),
    )


CASES = {
    "demo": lambda: diagnose(DEMO),
    "misfire": lambda: agree(make_diagnosis()),
    "no_misfire": lambda: agree(make_quiet_diagnosis()),
    "inconclusive": lambda: agree(make_quiet_diagnosis(verdict="inconclusive")),
}
CELL = re.compile(
    r'<tr><th scope="row">(.*?)</th><td>(.*?)</td>'
    r"<td[^>]*>(?:<code>(.*?)</code>|–)</td><td[^>]*>(.*?)</td></tr>"
)


def unescape(text):
    entities = (("&#34;", '"'), ("&#39;", "'"), ("&lt;", "<"), ("&gt;", ">"), ("&amp;", "&"))
    for entity, sign in entities:
        text = text.replace(entity, sign)
    return text.replace("\u00a0", " ").replace("\u202f", "").replace("−", "-")


@pytest.fixture(scope="module", params=CASES)
def case(request):
    """Give the page, its table of sources, and the rows and metadata of events.parquet."""
    made = CASES[request.param]()
    page = format_page(made)
    table = page[page.index('class="sources cards"') : page.index('id="method"')]
    rows = [tuple(map(unescape, cells)) for cells in CELL.findall(table)]
    stored = pq.read_table(io.BytesIO(format_parquet(made)))
    meta = {k.decode(): v.decode() for k, v in stored.schema.metadata.items()}
    return request.param, page, rows, stored.to_pandas(), meta


def spell_clock(seconds):
    whole = int(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def find_bouts(time_s):
    """Cut instants where a pause is longer than one second."""
    time_s = np.sort(time_s)
    return np.split(time_s, np.flatnonzero(np.diff(time_s) > 1.0) + 1)


def recompute(number, rows, how, events, meta):
    """Compute one number anew from its rows; True where it comes out as the page has it."""
    chosen = events.query(rows, engine="python") if rows else events
    lost = chosen["misfire_probability"] >= 0.5
    value = float(re.findall(r"[\d.]+", number)[0]) if re.search(r"\d", number) else 0.0
    # half of the last digit that is shown
    digits = re.search(r"\d+(?:\.(\d+))?", number)
    half = 0.5001 * 10.0 ** -len(digits[1] or "") if digits else 0.5
    kind = re.split(r"[ :;(]", how)[0]
    if kind == "count":
        return len(chosen) == (0 if number == "None" else value)
    if kind == "share":
        return abs(100 * lost.mean() - value) <= half
    if kind == "one":
        return number == f"1 in {max(1, round(len(chosen) / lost.sum()))}"
    if kind == "interval":
        # the reference is scipy's own Wilson interval
        interval = stats.binomtest(int(lost.sum()), len(chosen)).proportion_ci(0.95, "wilson")
        low, high = (float(x) for x in re.findall(r"[\d.]+", number))
        return abs(100 * interval.low - low) <= half and abs(100 * interval.high - high) <= half
    if kind == "first":
        return number == spell_clock(chosen["time_s"].min())
    if kind == "last":
        return number == spell_clock(chosen["time_s"].max())
    if kind in ("bouts", "start", "largest", "span"):
        bouts = find_bouts(chosen["time_s"].to_numpy())
        largest = max(bouts, key=len)
        return {
            "bouts": lambda: len(bouts) == value,
            "start": lambda: number == spell_clock(largest[0]),
            "largest": lambda: len(largest) == value,
            "span": lambda: abs(max(np.ptp(largest), 0.1) - value) <= half,
        }[kind]()
    if kind == "speed":
        low, high = (float(x) for x in re.findall(r"\d+", number))
        edges = np.arange(0, chosen["rpm"].max() + high - low, high - low)
        bands = chosen.groupby(np.digitize(chosen["rpm"], edges))["misfire_probability"]
        limits = {
            edges[k - 1]: stats.binomtest(int((p >= 0.5).sum()), len(p))
            .proportion_ci(0.95, "wilson")
            .low
            for k, p in bands
        }
        return max(limits, key=limits.get) == low
    if kind == "median":
        column = how.split(": ")[1]
        return abs(chosen[column].median() - value) <= half
    if kind == "distinct":
        return chosen["cycle"].nunique() == value
    if kind in ("min", "max"):
        return round(getattr(chosen["rpm"], kind)()) == value
    if kind == "least":
        return number == f"1 in {int(1 / (1 - 0.05 ** (1 / len(chosen))))}"
    if kind == "length":
        return (
            abs(float(meta["duration_s"]) % 60 - float(re.findall(r"[\d.]+", number)[-1])) <= half
        )
    if kind == "rest":
        n = len(json.loads(meta["cylinders"]))
        return abs(float(meta["duration_s"]) - (120 / (chosen["rpm"] * n)).sum() - value) <= half
    if kind == "model":
        cylinder = int(re.search(r"of cylinder (\d+)", how)[1])
        result = next(c for c in json.loads(meta["cylinders"]) if c["cylinder"] == cylinder)
        probability = result["probability"]
        fault = re.search(r"fault (\w+) of", how)
        if fault:
            probability = next(f["probability"] for f in result["faults"] if f["type"] == fault[1])
        if number.startswith("over"):
            return 100 * probability > value
        return abs(100 * probability - value) <= half
    return False


def test_each_number_comes_out_of_its_rows_again(case):
    name, _, rows, events, meta = case
    assert len(rows) >= (12 if name in ("demo", "misfire") else 2)
    wrong = [row for row in rows if not recompute(row[0], row[2], row[3], events, meta)]
    assert wrong == []


def test_a_wrong_number_would_be_noticed(case):
    _, _, rows, events, meta = case
    for number, _, condition, how in rows:
        if how == "count" and number != "None":
            spoiled = str(int(number) + 1)
            assert not recompute(spoiled, condition, how, events, meta)


def test_no_number_on_page_one_is_without_a_source(case):
    name, page, rows, _, _ = case
    first = page[page.index('class="top"') : page.index('id="next"')]
    # axis labels of the picture are no results; what is written into it has a class
    kept = re.sub(r"<text (?![^>]*class=\"(?:good|lost-words)\").*?</text>", " ", first)
    kept = re.sub(r"<title.*?</title>", " ", kept, flags=re.DOTALL)
    text = unescape(re.sub(r"<[^>]+>", " ", kept))
    text = text.replace("van-017", "").replace("P0300", "").replace("P030", "cylinder ")
    for number in sorted({r[0] for r in rows}, key=len, reverse=True):
        text = re.sub(rf"(?<![\w.]){re.escape(number)}(?![\w])", " ", text)
    # left over may be: names of cylinders, firing order, the level of intervals and bands
    for allowed in (
        r"Which cylinder\s+\d \(cylinder \d\)",
        r"firing order [\d-]+",
        r"(?i)cylinders? \d",
        r"95 % (interval|bound)",
        r"middle 80 %",
        r"line 10 to 90 %",
        r"\b(primary|coil) \d",
        r"60 good firings of \s+ within 150 rev/min",  # a caption made up by the builder
    ):
        text = re.sub(allowed, " ", text)
    assert re.findall(r".{20}\d+.{10}", text) == [], name
