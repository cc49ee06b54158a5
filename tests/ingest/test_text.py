"""Text tables: logic captures, time columns, over-range marks, headers, damage."""

import gzip
from pathlib import Path

import numpy as np
import pytest

from misfire.errors import FormatError, JobCardError, MisfireError
from misfire.ingest.reading import open_raw
from misfire.records import Recording
from tests.builders.files import write_job


def open_table(folder: Path, text: str | bytes, *channels: dict, file: str = "a.csv") -> Recording:
    data = text.encode() if isinstance(text, str) else text
    (folder / file).write_bytes(data)
    cards = channels or ({"column": 1},)
    return open_raw(
        write_job(folder, *({"role": "crank", "file": file, "unit": "V"} | c for c in cards))
    )


def read_values(recording: Recording, number: int = 0) -> list[float]:
    channel = recording.channels[number]
    counts = recording.read(channel.name, 0, channel.n_samples)
    return (counts * channel.scale + channel.offset).round(9).tolist()


def make_rows(times: list[float], values: list[float] | None = None) -> str:
    values = values or [i * i % 17 / 10 for i in range(len(times))]
    return "".join(f"{t:.6f},{v}\n" for t, v in zip(times, values, strict=True))


LOGIC = (
    "Time [s], Channel 0, Channel 1\n0.5, 1, 0\n0.51, 0, 0\n0.525, 1, 0\n0.57, 1, 1\n0.7, 1, 1\n"
)


def test_logic_capture_gives_the_changes_of_each_column(tmp_path: Path) -> None:
    channels = ({"column": "Channel 0"}, {"column": 2, "role": "cam"})
    recording = open_table(tmp_path, LOGIC, *channels)
    crank, cam = recording.channels
    assert crank.is_levels
    assert cam.is_levels
    assert (crank.n_samples, crank.unit, crank.start_s) == (0, "bool", 0.0)
    assert recording.read_levels("crank").tolist() == [(0.51, 0), (0.525, 1)]
    assert recording.read_levels("cam").tolist() == [(0.57, 1)]
    with pytest.raises(MisfireError, match="stored as level changes"):
        recording.read("crank", 0, 1)


def test_logic_capture_with_a_start_counts_from_its_first_row(tmp_path: Path) -> None:
    recording = open_table(tmp_path, LOGIC, {"column": 1, "start_s": 2.0})
    levels = recording.read_levels("crank")
    np.testing.assert_allclose(levels["time_s"], [0.01, 0.025], atol=1e-12)
    assert recording.channels[0].start_s == 2.0


def test_logic_capture_of_even_speed_is_still_one(tmp_path: Path) -> None:
    rows = "".join(f"{i / 100},{i % 2}\n" for i in range(40))
    recording = open_table(tmp_path, rows)
    assert recording.channels[0].is_levels
    assert recording.read_levels("crank")["time_s"].size == 39


def test_sampled_zeros_and_ones_stay_samples(tmp_path: Path) -> None:
    rows = "".join(f"{i / 100:.2f},{i // 5 % 2}\n" for i in range(40))
    recording = open_table(tmp_path, rows)
    assert not recording.channels[0].is_levels
    assert recording.channels[0].rate_hz == 100.0
    assert read_values(recording) == [float(i // 5 % 2) for i in range(40)]


def test_logic_capture_cannot_be_a_coil(tmp_path: Path) -> None:
    with pytest.raises(JobCardError, match=r"role: coil_primary needs samples, .*logic capture"):
        open_table(tmp_path, LOGIC, {"column": 1, "role": "coil_primary"})


def test_uneven_analog_rows_are_refused(tmp_path: Path) -> None:
    text = "t,a\n0.5,1\n0.51,0.2\n0.525,1.5\n0.57,1.1\n0.7,1.2\n"
    with pytest.raises(FormatError, match=r"steps of the time column are uneven .*fixed sampling"):
        open_table(tmp_path, text)


def test_time_that_runs_backwards(tmp_path: Path) -> None:
    text = "t,a\n" + make_rows([0, 0.1, 0.2, 0.1, 0.3])
    with pytest.raises(FormatError, match=r"'t': time runs backwards at row 4 of the numbers"):
        open_table(tmp_path, text)


def test_time_that_stands_still(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="time does not rise"):
        open_table(tmp_path, "t,a\n" + make_rows([0.5] * 5))


def test_missing_time(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="row 2 of the numbers has no time"):
        open_table(tmp_path, "t,a\n0.0,1\n,2\n0.2,3\n0.3,1\n")


def test_rate_comes_from_the_whole_span_of_rounded_times(tmp_path: Path) -> None:
    # Times of 3 digits after 1 s at 300 Hz: single steps are 0.003 or 0.004 s.
    text = "t,a\n" + "".join(f"{i / 300:.3f},{i % 7}\n" for i in range(3001))
    channel = open_table(tmp_path, text).channels[0]
    assert channel.rate_hz == pytest.approx(300.0, rel=1e-6)
    assert channel.n_samples == 3001


def test_gap_leaves_the_longest_stretch_with_a_finding(tmp_path: Path) -> None:
    times = [i / 100 for i in range(30)] + [1 + i / 100 for i in range(70)]
    recording = open_table(tmp_path, "t,a\n" + make_rows(times))
    channel = recording.channels[0]
    assert (channel.n_samples, channel.start_s, channel.rate_hz) == (70, 1.0, 100.0)
    (finding,) = recording.findings
    assert (finding.code, finding.severity) == ("gaps", "warning")
    assert "1 gap, the widest of 0.71 s" in finding.message
    assert read_values(recording) == [i * i % 17 / 10 for i in range(30, 100)]


def test_many_gaps_are_refused(tmp_path: Path) -> None:
    times = [k + i / 100 for k in range(5) for i in range(30)]
    with pytest.raises(FormatError, match=r"in one piece \(there are 4 gaps\)"):
        open_table(tmp_path, "t,a\n" + make_rows(times))


def test_first_time_is_kept_unless_the_card_says_otherwise(tmp_path: Path) -> None:
    text = "t,a\n" + make_rows([-0.05 + i / 100 for i in range(20)])
    assert open_table(tmp_path, text).channels[0].start_s == -0.05
    channel = {"column": 1, "start_s": 3.5}
    assert open_table(tmp_path, text, channel).channels[0].start_s == 3.5


def test_rate_of_the_card_wins_and_says_so(tmp_path: Path) -> None:
    text = "t,a\n" + make_rows([i / 100 for i in range(20)])
    recording = open_table(tmp_path, text, {"column": 1, "rate_hz": 101.0})
    assert recording.channels[0].rate_hz == 101.0
    (finding,) = recording.findings
    assert finding.code == "rate"
    assert "the job card says 101 Hz, a.csv says 100 Hz" in finding.message
    recording = open_table(tmp_path, text, {"column": 1, "rate_hz": 100.05})
    assert recording.findings == ()


def test_rate_is_asked_for_where_nothing_tells_it(tmp_path: Path) -> None:
    text = "a\n1.5\n1.6\n1.4\n"
    with pytest.raises(JobCardError, match=r"1 \(\"crank\"\) rate_hz: is missing and a.csv does"):
        open_table(tmp_path, text, {"column": 0})
    recording = open_table(tmp_path, text, {"column": "a", "rate_hz": 50.0})
    assert read_values(recording) == [1.5, 1.6, 1.4]
    assert recording.channels[0].rate_hz == 50.0


def test_rate_from_a_preamble(tmp_path: Path) -> None:
    recording = open_table(tmp_path, "Sample rate: 2 kHz\n\na;b\n1,5;3\n1,7;4\n", {"column": "a"})
    assert recording.channels[0].rate_hz == 2000.0


@pytest.mark.parametrize(
    ("column", "message"),
    [
        (0, "0 is the time column of a.csv; name a channel's column"),
        ("Time", "is the time column"),
        (3, r"3 is past the last of a.csv, which has 3 \(0 to 2, the time included\)"),
        ("Lamda", r"'Lamda' is no column of a.csv; did you mean .Lambda \[mV\]"),
        ("zzz", r"'zzz' is no column of a.csv; it has Time \[s\], Coil A, Lambda"),
    ],
)
def test_column_that_is_not_there(column: int | str, message: str, tmp_path: Path) -> None:
    text = "Time [s],Coil A,Lambda [mV]\n" + "0.0,1,2\n0.1,2,3\n"
    with pytest.raises(JobCardError, match=r'job.toml: \[\[channel\]\] 1 \("crank"\) column: '):
        open_table(tmp_path, text, {"column": column})
    with pytest.raises(JobCardError, match=message):
        open_table(tmp_path, text, {"column": column})


@pytest.mark.parametrize("column", ["Coil A", "coil a", "Coil B [mV]", "Coil B", "COIL B"])
def test_column_by_name(column: str, tmp_path: Path) -> None:
    text = "Time [s],Coil A,Coil B [mV]\n0.0,1,1\n0.1,2,2\n"
    card = {"column": column, "scale": 1.0}
    assert read_values(open_table(tmp_path, text, card)) == [1.0, 2.0]


def test_name_without_header_and_name_twice(tmp_path: Path) -> None:
    with pytest.raises(JobCardError, match="a.csv has no header; give the index"):
        open_table(tmp_path, "0.0,1.5\n0.1,1.6\n", {"column": "a"})
    with pytest.raises(JobCardError, match="heads several columns"):
        open_table(tmp_path, "t,a,a\n0.0,1.5,2\n0.1,1.6,3\n", {"column": "a"})


def test_unit_of_the_file_is_converted_only_where_the_card_gives_no_scale(tmp_path: Path) -> None:
    text = "t,a\ns,mV\n0.0,1500\n0.1,1600\n"
    recording = open_table(tmp_path, text)
    assert read_values(recording) == [1.5, 1.6]
    assert [finding.code for finding in recording.findings] == ["unit"]
    assert read_values(open_table(tmp_path, text, {"column": 1, "scale": 2.0})) == [3000.0, 3200.0]


def test_over_range_marks_become_clip_counts(tmp_path: Path) -> None:
    cells = [
        "1.0",
        "∞",
        "-∞",
        "inf",
        "-inf",
        "2.0",
        "OVL",
        "-1.0",
        "OVL",
        "",
        "+OL",
        "9.9E37",
        "0.5",
    ]
    text = "t,a\n" + "".join(f"{i / 10},{cell}\n" for i, cell in enumerate(cells))
    recording = open_table(tmp_path, text)
    channel = recording.channels[0]
    counts = recording.read("crank", 0, channel.n_samples)
    high = counts >= channel.clip_high
    low = counts <= channel.clip_low
    # An unsigned mark belongs to the side, seen from mid range, where the number before it was.
    assert np.flatnonzero(high).tolist() == [1, 3, 6, 10, 11]
    assert np.flatnonzero(low).tolist() == [2, 4, 8, 9]
    values = counts * channel.scale + channel.offset
    np.testing.assert_allclose(values[[0, 5, 7, 12]], [1.0, 2.0, -1.0, 0.5], atol=1e-12)
    assert values[high].min() > 2.0
    assert values[low].max() < -1.0
    (finding,) = recording.findings
    assert (finding.code, finding.severity) == ("over_range", "warning")
    assert "9 of 13 samples" in finding.message


def test_channel_that_ends_early_is_shorter(tmp_path: Path) -> None:
    text = "t,a,b\n0.0,1.5,7\n0.1,1.6,8\n0.2,1.7,\n0.3,1.8,\n"
    channels = ({"column": "a"}, {"column": "b", "role": "cam"})
    recording = open_table(tmp_path, text, *channels)
    assert [channel.n_samples for channel in recording.channels] == [4, 2]
    assert recording.findings == ()


def test_blank_and_sparse_columns(tmp_path: Path) -> None:
    with pytest.raises(JobCardError, match="2 of a.csv is empty"):
        open_table(tmp_path, "t,a,b\n0.0,1.5,\n0.1,1.6,\n", {"column": 2})
    rows = "".join(f"{i / 10},{i},{i if i % 3 == 0 else ''}\n" for i in range(31))
    with pytest.raises(JobCardError, match="2 of a.csv is mostly blank"):
        open_table(tmp_path, "t,a,b\n" + rows, {"column": 2})


def test_word_among_the_numbers_is_named_with_its_line(tmp_path: Path) -> None:
    rows = make_rows([i / 100 for i in range(200)]).splitlines()
    rows[150] = rows[150].split(",")[0] + ",fault"
    with pytest.raises(FormatError, match=r"a.csv: line 152: 'fault' in 'a' is no number"):
        open_table(tmp_path, "t,a\n" + "\n".join(rows) + "\n")


def test_row_with_too_many_cells(tmp_path: Path) -> None:
    rows = make_rows([i / 100 for i in range(200)]).splitlines()
    rows[150] += ",5"
    with pytest.raises(FormatError, match=r"line 152 has 3 cells where the others have 2"):
        open_table(tmp_path, "t,a\n" + "\n".join(rows) + "\n")


def test_words_in_a_column_that_is_not_asked_for_do_not_matter(tmp_path: Path) -> None:
    rows = "".join(f"{i / 10},{i % 5},{i}\n" for i in range(50)) + "5.0,3,broken\n"
    recording = open_table(tmp_path, "t,a,b\n" + rows, {"column": "a"})
    assert recording.channels[0].n_samples == 51


def test_text_after_the_numbers_is_left_out(tmp_path: Path) -> None:
    text = "t,a\n" + make_rows([i / 100 for i in range(30)]) + "\nEnd of data\nchecked: yes\n"
    recording = open_table(tmp_path, text)
    assert recording.channels[0].n_samples == 30
    (finding,) = recording.findings
    assert (finding.code, finding.severity) == ("trailing_text", "info")


def test_blank_lines_between_rows(tmp_path: Path) -> None:
    text = "t,a\n" + make_rows([i / 100 for i in range(30)]).replace("\n", "\n\n")
    assert open_table(tmp_path, text).channels[0].n_samples == 30


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends(end: str, tmp_path: Path) -> None:
    text = ("t,a\n" + make_rows([i / 100 for i in range(30)])).replace("\n", end)
    recording = open_table(tmp_path, text)
    assert read_values(recording) == [i * i % 17 / 10 for i in range(30)]


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"]
)
def test_encodings(encoding: str, tmp_path: Path) -> None:
    text = "Zeit;Zündung\nµs;V\n" + "".join(f"{i * 10};{i % 9},5\n" for i in range(300))
    recording = open_table(tmp_path, text.encode(encoding), {"column": "Zündung"})
    assert recording.channels[0].rate_hz == 100_000.0
    assert read_values(recording) == [i % 9 + 0.5 for i in range(300)]


def test_gzip_of_several_members(tmp_path: Path) -> None:
    text = "t,a\n" + make_rows([i / 100 for i in range(300)])
    data = gzip.compress(text[:700].encode()) + gzip.compress(text[700:].encode())
    recording = open_table(tmp_path, data, file="a.csv.gz")
    assert recording.channels[0].n_samples == 300
    assert recording.findings == ()


def test_gzip_cut_short_keeps_whole_rows(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    values = rng.integers(0, 4096, 60_000)
    text = "t,a\n" + "".join(f"{i / 1000:.3f},{v}\n" for i, v in enumerate(values))
    data = gzip.compress(text.encode())
    recording = open_table(tmp_path, data[: len(data) // 2], file="a.csv.gz")
    n = recording.channels[0].n_samples
    assert 25_000 < n < 35_000
    assert recording.read("crank", 0, n).tolist() == values[:n].tolist()
    (finding,) = recording.findings
    assert finding.code == "truncated"
    assert "gzip stream breaks off" in finding.message


def test_last_row_without_an_end(tmp_path: Path) -> None:
    fixed = "t,a\n0.0,1.50\n0.1,2.25\n0.2,3.75"
    recording = open_table(tmp_path, fixed)
    assert read_values(recording) == [1.5, 2.25, 3.75]
    assert recording.findings == ()
    # 12.5 may be the start of 12.53: the row is left out, and that is said.
    recording = open_table(tmp_path, "t,a\n0.0,1.50\n0.1,12.53\n0.2,12.5")
    assert read_values(recording) == [1.5, 12.53]
    assert [finding.code for finding in recording.findings] == ["last_row"]
    recording = open_table(tmp_path, "t,a,b\n0.0,1.50,1\n0.1,12.53,1\n0.2,12.5", {"column": 1})
    assert read_values(recording) == [1.5, 12.53]
    assert [finding.code for finding in recording.findings] == ["truncated"]


def test_long_file_is_read_in_blocks(tmp_path: Path) -> None:
    n = 700_000  # about 12 MB: several blocks
    values = np.arange(n) * 7919 % 4001 - 2000
    rows = "".join(f"{i / 1e5:.5f};{v}\n" for i, v in enumerate(values.tolist()))
    recording = open_table(tmp_path, "t;a\n" + rows)
    channel = recording.channels[0]
    assert (channel.n_samples, channel.rate_hz) == (n, 1e5)
    counts = recording.read("crank", 0, n)
    assert np.array_equal(counts * channel.scale + channel.offset, values)
