"""A recording that its instrument split into several files: their order, places and gaps.

Parts of one capture are joined into one channel. A gap keeps its true length and is filled with
the level the channel rests on, so detectors need not know of it; events at its edges and firings
whose stroke reaches into it are dropped later (`measuring/recordinggaps.py`).
"""

import bisect
import fnmatch
import math
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.errors import FormatError
from misfire.ingest.counts import map_counts
from misfire.ingest.scratch import Scratch
from misfire.ingest.source import Counts, RawColumn, Request, Source
from misfire.numerals import spell
from misfire.records import ChannelCard, Finding, JobCard

LONGEST_SPAN_S = 86_400.0  # from the first part to the last; more is not one recording
SMALLEST_GAP_SAMPLES = 1.5
MAX_RATE_DIFFERENCE = 1e-4  # between parts: far more than one clock changes, less than a setting
_PROBES, _PROBE = 32, 2048  # where the level that a channel rests on is looked for


@dataclass(frozen=True, slots=True)
class Joint:
    """Where the parts of one channel stand, in samples from the first sample of the first."""

    starts: tuple[int, ...]
    lengths: tuple[int, ...]

    @property
    def gaps(self) -> tuple[tuple[int, int], ...]:
        """Spans without samples, half open."""
        return tuple((end, start) for end, start in self.joints if start > end)

    @property
    def joints(self) -> tuple[tuple[int, int], ...]:
        """Where a part ends and where the next begins."""
        ends = [a + n for a, n in zip(self.starts, self.lengths, strict=True)]
        return tuple(zip(ends, self.starts[1:], strict=False))


def has_parts(card: ChannelCard) -> bool:
    """Tell whether a channel is recorded in several files."""
    return bool(card.parts) or "*" in card.file or "?" in card.file


def find_parts(folder: Path, card: ChannelCard) -> tuple[str, ...]:
    """Give the files of one channel in the order of recording.

    Parameters
    ----------
    folder : path of the job card's folder
    card : ChannelCard
        `parts`, or a `file` in which `*` and `?` stand for any letters. A file that is called just
        so goes before the pattern. Numbers in names are ordered as numbers.

    Returns
    -------
    parts : names, relative to the folder; the `file` itself where nothing fits
    """
    if card.parts:
        return card.parts
    if not has_parts(card) or (folder / card.file).exists():
        return (card.file,)
    place, pattern = os.path.split(card.file)
    pattern = pattern.replace("[", "[[]")
    try:
        names = [n for n in os.listdir(folder / place) if fnmatch.fnmatchcase(n, pattern)]
    except OSError:
        return (card.file,)
    names = [n for n in names if (folder / place / n).is_file()]
    return tuple(os.path.join(place, n) for n in sorted(names, key=_order)) or (card.file,)


def list_files(job: JobCard) -> tuple[str, ...]:
    """Give all raw files that a job card names, in its order, each once."""
    return tuple(dict.fromkeys(n for card in job.channels for n in find_parts(job.folder, card)))


def _order(name: str) -> list[tuple[int, int, str]]:
    """Order names with their numbers taken as numbers: part_2 before part_10."""
    pieces = re.findall(r"\d+|\D+", name)
    return [(1, int(p), "") if p.isdecimal() else (0, 0, p) for p in pieces]


def place_parts(
    sources: Sequence[Source], names: Sequence[str], request: Request, place: str
) -> tuple[Joint, str]:
    """Find where the parts of one channel stand in time.

    Parameters
    ----------
    sources : sequence of Source
        One for each part, in the order of recording.
    names : sequence of str
    request : Request
        The card's `part_start_s` go before what the files say.
    place : str
        Folder and card, for messages.

    Returns
    -------
    joint : Joint
    known_by : str
        What told the places: "" where they are only assumed to follow one another.

    Raises
    ------
    FormatError
        If the parts overlap, differ in rate or lie too far apart.
    """
    card = request.card
    rates = [card.rate_hz or source.rate_hz for source in sources]
    rate_hz = rates[0]
    if rate_hz is None:
        raise request.error(
            "rate_hz", f"is missing and {names[0]} does not tell its sampling rate; add it"
        )
    lengths = [source.counts.n_samples for source in sources]
    for name, rate in zip(names, rates, strict=True):
        if rate is None or abs(rate / rate_hz - 1) > MAX_RATE_DIFFERENCE:
            raise FormatError(
                f"{place}: {name} was recorded at {rate} Hz, {names[0]} at {spell(rate_hz)} "
                "Hz; parts "
                "of one recording have one rate: give each its own job card"
            )
    begins, slack, known_by = _find_begins(sources, lengths, rate_hz, card.part_start_s)
    starts = [0]
    for i in range(1, len(sources)):
        end = starts[-1] + lengths[i - 1]
        if begins is None:
            starts.append(end)
            continue
        at = round((begins[i] - begins[0]) * rate_hz)
        allowed = max(SMALLEST_GAP_SAMPLES, slack * lengths[i - 1])
        if at < end - allowed:
            raise FormatError(
                f"{place}: {names[i]} begins {spell((end - at) / rate_hz, 6)} s before the end of "
                f"{names[i - 1]} by {known_by}; correct start_s or the order of the files"
            )
        starts.append(end if at <= end + allowed else at)
    if (starts[-1] + lengths[-1]) / rate_hz > max(LONGEST_SPAN_S, 1.05 * sum(lengths) / rate_hz):
        raise FormatError(
            f"{place}: from {names[0]} to the end of {names[-1]} it is more than a day; give "
            "recordings of different days a job card each"
        )
    return Joint(tuple(starts), tuple(lengths)), known_by


def _find_begins(
    sources: Sequence[Source],
    lengths: Sequence[int],
    rate_hz: float,
    given_s: tuple[float, ...],
) -> tuple[list[float] | None, float, str]:
    """Choose what tells when each part began: the card, the time columns or the headers."""
    if given_s:
        return list(given_s), 0.0, "the job card's start_s"
    firsts = [s.first_s for s in sources]
    ends = [t + n / rate_hz for t, n in zip(firsts, lengths, strict=True)]
    goes_on = all(b > e - 1.5 / rate_hz for e, b in zip(ends, firsts[1:], strict=False))
    if goes_on:
        return firsts, 0.0, "their time columns"
    headers = [s.header_s for s in sources if s.header_s is not None]
    # Headers that all say the same tell nothing: a program set them when it exported.
    if len(headers) == len(sources) and len(set(headers)) == len(headers):
        return headers, max(s.header_slack for s in sources), "the times in their headers"
    return None, 0.0, ""


def join_parts(sources: Sequence[Source], joint: Joint, *, name: str, scratch: Scratch) -> Source:
    """Make one source of the parts of a channel; a gap is filled with the level it rests on.

    Parameters
    ----------
    sources : sequence of Source
    joint : Joint
    name : str
        The channel.
    scratch : Scratch

    Returns
    -------
    source : Source
        Counts on one grid: the parts' own where it is the same, else found again over all.
    """
    folded = _fold_scales(sources)
    aligned = _align_counts([source.counts for source in folded], name, scratch)
    rests = [_find_rest(counts) for counts in aligned]
    starts, lengths = joint.starts, joint.lengths

    def read(start: int, stop: int) -> NDArray[np.int16]:
        out = np.empty(stop - start, np.int16)
        at = start
        i = max(0, bisect.bisect_right(starts, start) - 1)
        while at < stop:
            end = starts[i] + lengths[i]
            if at < end:
                upto = min(stop, end)
                out[at - start : upto - start] = aligned[i].read(at - starts[i], upto - starts[i])
            else:
                upto = min(stop, starts[i + 1])
                out[at - start : upto - start] = rests[i]
                i += 1
            at = upto
            if at == end and i + 1 < len(starts) and starts[i + 1] == end:
                i += 1
        return out

    first = folded[0]
    counts = replace(
        aligned[0],
        n_samples=starts[-1] + lengths[-1],
        read=read,
        clip_low=min(c.clip_low for c in aligned),
        clip_high=max(c.clip_high for c in aligned),
        findings=_unique([f for c in aligned for f in c.findings]),
    )
    findings = _unique([f for source in folded for f in source.findings])
    return replace(first, counts=counts, findings=findings)


def join_levels(
    sources: Sequence[Source], names: Sequence[str], given_s: tuple[float, ...], place: str
) -> Source:
    """Make one list of level changes of the parts of a logic channel.

    Raises
    ------
    FormatError
        If neither the card nor the times tell how the parts follow one another.
    """
    moved: list[Any] = []
    last = -math.inf
    for i, source in enumerate(sources):
        levels = source.levels
        if levels is None:
            raise FormatError(f"{place}: {names[i]} holds samples, {names[0]} level changes")
        levels = levels.copy()
        if given_s:
            levels["time_s"] += given_s[i] - given_s[0] - source.first_s + sources[0].first_s
        if levels.size and levels["time_s"][0] < last:
            raise FormatError(
                f"{place}: the times of {names[i]} do not follow those of {names[i - 1]}; give "
                "each part its time, start_s = [0.0, ...]"
            )
        if levels.size:
            last = float(levels["time_s"][-1])
        moved.append(levels)
    return replace(sources[0], levels=np.concatenate(moved))


def find_gap_notes(
    joint: Joint, names: Sequence[str], file: str, known_by: str, rate_hz: float
) -> list[Finding]:
    """Say how the parts of a file were put together, and what is missing between them."""
    gaps = joint.gaps
    span = f"{len(names)} files, {names[0]} to {names[-1]}"
    if not gaps:
        how = f"by {known_by}" if known_by else "as nothing says when each began"
        return [Finding("parts", "info", f"{file}: {span}, taken to follow without a gap, {how}")]
    total = sum(stop - start for start, stop in gaps) / rate_hz
    listed = ", ".join(f"{spell(a / rate_hz, 4)} to {spell(b / rate_hz, 4)} s" for a, b in gaps[:5])
    more = f" and {len(gaps) - 5} more" if len(gaps) > 5 else ""
    message = (
        f"{file}: {span}: by {known_by} nothing was recorded from {listed}{more} "
        f"({spell(total, 4)} s in all); no firing in or at the edge of a gap is judged"
    )
    return [Finding("recording_gap", "warning", message)]


def _fold_scales(sources: Sequence[Source]) -> list[Source]:
    """Let parts with different ranges of their own speak in values."""
    told = {(s.scale, s.offset, s.unit) for s in sources}
    if len(told) == 1:
        return list(sources)
    folded = []
    for source in sources:
        scale, offset = source.scale or 1.0, source.offset or 0.0
        counts = source.counts
        counts = replace(counts, step=counts.step * scale, base=counts.base * scale + offset)
        folded.append(replace(source, counts=counts, scale=None, offset=None))
    return folded


def _align_counts(parts: list[Counts], name: str, scratch: Scratch) -> list[Counts]:
    """Bring the counts of all parts onto one grid."""
    step, base = parts[0].step, parts[0].base
    if all(c.step == step and c.base == base for c in parts):
        return parts
    ends = np.cumsum([c.n_samples for c in parts])
    starts = (ends - [c.n_samples for c in parts]).tolist()

    def read(start: int, stop: int) -> NDArray[np.float64]:
        pieces = [np.empty(0)]
        for counts, low in zip(parts, starts, strict=True):
            a, b = max(start, low) - low, min(stop, low + counts.n_samples) - low
            if a < b:
                pieces.append(counts.read(a, b).astype(np.float64) * counts.step + counts.base)
        return np.concatenate(pieces)

    column = RawColumn(int(ends[-1]), np.dtype(np.float64), read, is_text=True)
    whole = map_counts(column, name=name, scratch=scratch, keep=True)

    def part(low: int) -> Any:
        return lambda start, stop: whole.read(low + start, low + stop)

    found = []
    for counts, low in zip(parts, starts, strict=True):
        is_over = (counts.clip_low > -32768, counts.clip_high < 32767)
        edges = [
            round((edge * counts.step + counts.base - whole.base) / whole.step)
            for edge in (counts.clip_low, counts.clip_high)
        ]
        clips = (edges[0] if is_over[0] else -32768, edges[1] if is_over[1] else 32767)
        own = counts.findings + whole.findings
        found.append(
            Counts(counts.n_samples, part(low), whole.step, whole.base, *clips, findings=own)
        )
    return found


def _find_rest(counts: Counts) -> int:
    """Find the level that a channel rests on most: the middle of its samples, here and there."""
    n = counts.n_samples
    at = np.unique(np.linspace(0, max(0, n - _PROBE), _PROBES).astype(int))
    return int(
        np.median(np.concatenate([counts.read(int(a), min(n, int(a) + _PROBE)) for a in at]))
    )


def _unique(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Keep the order and say each finding once."""
    return tuple(dict.fromkeys(findings))
