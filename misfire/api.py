"""The commands as functions: each takes what its command takes and returns a record with names.

`to_dict()` of a record is the document that the command prints with `--json`. Nothing heavy is
loaded before a function is called.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from misfire.records import Diagnosis

if TYPE_CHECKING:
    from misfire.fleet.settings import ScreenProgress, ScreenSettings
    from misfire.hookup.plan import HookupWish
    from misfire.records import CrankWheel
    from misfire.report.hookup.plan import HookupPlan, Lead

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Document:
    """A result that knows its JSON document."""

    document: dict[str, Any] = field(repr=False, compare=False)

    def to_dict(self) -> dict[str, Any]:
        """Give the document that the command prints with `--json`; it may be changed freely."""
        return copy.deepcopy(self.document)


@dataclass(frozen=True)
class DiagnosisResult(Diagnosis):
    """A `Diagnosis` that knows its JSON document; `files`: what was written."""

    files: tuple[Path, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Give the document of result.json, and the files written, as `--json` prints it."""
        from misfire.report.summary import build_summary

        document = build_summary(self)
        return document | {"files": [str(p) for p in self.files]} if self.files else document


@dataclass(frozen=True, slots=True)
class Remark:
    """A finding of `check`: what it is, what follows from it and what to do."""

    channel: str
    code: str
    severity: str
    message: str
    consequence: str
    remedy: str


@dataclass(frozen=True)
class Check(Document):
    """Is a recording fit: `shows_faults_of_one_in` is how rare a fault it shows (0: not known)."""

    vehicle: str
    fit: bool
    channels: tuple[str, ...]
    firings_per_cylinder: int
    shows_faults_of_one_in: int
    quality: tuple[Remark, ...]


@dataclass(frozen=True, slots=True)
class ComparedCylinder:
    """One cylinder before and after: `word` is what became of it, None where nobody asked.

    `lost_before` of `judged_before` firings were lost, and so after.
    """

    cylinder: int
    word: str | None
    lost_before: int
    judged_before: int
    lost_after: int
    judged_after: int


@dataclass(frozen=True)
class Comparison(Document):
    """Did a repair cure it: `verdict` in one word, `headline` in a sentence."""

    verdict: str
    settled: bool
    direction: str
    headline: str
    reasons: tuple[str, ...]
    notes: tuple[str, ...]
    cycles_needed: int | None
    new_fault: tuple[int, ...]
    cylinders: tuple[ComparedCylinder, ...]


@dataclass(frozen=True, slots=True)
class FleetVehicle:
    """One vehicle of a fleet, most urgent first."""

    rank: int
    id: str
    urgency: str
    reason: str
    verdict: str


@dataclass(frozen=True, slots=True)
class NotJudged:
    """A recording that could not be judged, why, and what to do."""

    name: str
    code: str
    reason: str
    fix: str


@dataclass(frozen=True)
class ScreenResult(Document):
    """A fleet: vehicles by urgency, what could not be judged, the files written."""

    vehicles: tuple[FleetVehicle, ...]
    failed: tuple[NotJudged, ...]
    written: tuple[Path, ...]
    complete: bool

    @property
    def fleet(self) -> dict[str, Any]:
        """The document of fleet.json: without what this one run did."""
        return {name: value for name, value in self.to_dict().items() if name != "run"}


@dataclass(frozen=True)
class Case(Document):
    """A labelled case: its folder, the file without personal data, and what was proven."""

    case: Path | None
    bundle: Path | None
    vehicle: str
    healthy: bool


@dataclass(frozen=True, slots=True)
class FigureValue:
    """One figure of a model with its 95 % interval over vehicles; None: not measurable."""

    value: float | None
    low: float | None
    high: float | None
    vehicles: int


@dataclass(frozen=True)
class ModelScores(Document):
    """Figures of a model by name; `worse`: than the shipped one, beyond chance."""

    model: str
    figures: dict[str, FigureValue]
    worse: bool
    verdict: str
    not_usable: tuple[str, ...]


@dataclass(frozen=True)
class Simulated(Document):
    """A simulated recording: its job card and its truth."""

    job: Path
    truth: Path
    vehicle: str


@dataclass(frozen=True)
class Hookup(Document):
    """A plan of what to clip on where; `card_written`: False where a card was there and is kept."""

    plan: HookupPlan
    page: Path
    job: Path
    card_written: bool

    @property
    def leads(self) -> tuple[Lead, ...]:
        """One for each input of the instrument."""
        return self.plan.leads


def diagnose(
    recording: Path | str,
    *,
    out: Path | str | None = None,
    model: Path | str | None = None,
    progress: Progress | None = None,
    allow_outside: bool = False,
) -> DiagnosisResult:
    """Name the misfiring cylinder of one recording.

    Parameters
    ----------
    recording : path
        A job card with its raw files, or a recording made by `store_recording`.
    out : path, optional
        Folder for result.json, events.parquet, misfires.csv and report.html.
    model : path, optional
        A model bundle; the shipped one when left out.
    progress : callable (stage, fraction), optional
    allow_outside : bool
        Whether a job card may name files outside its own folder.

    Returns
    -------
    diagnosis : DiagnosisResult
        Its `events` is a DataFrame with one row per expected firing.

    Raises
    ------
    MisfireError
        If the input cannot be used; the message names file, field and remedy.
    """
    from misfire.diagnosis.chain import diagnose as compute
    from misfire.publishing import find_today
    from misfire.report.diagnosis.files import write_reports

    found = compute(recording, model=model, progress=progress, allow_outside=allow_outside)
    found = replace(found, reported=find_today())
    files = () if out is None else write_reports(found, Path(out))
    values = {f.name: getattr(found, f.name) for f in fields(Diagnosis)}
    return DiagnosisResult(**values, files=files)


def check(
    recording: Path | str,
    *,
    one_in: int | None = None,
    progress: Progress | None = None,
    allow_outside: bool = False,
) -> Check:
    """Say whether a recording is fit for a diagnosis, and what to do where it is not.

    Parameters
    ----------
    recording : path
        As for `diagnose`.
    one_in : int, optional
        The fault is felt once in so many firings of its cylinder.
    progress : callable (stage, fraction), optional
    allow_outside : bool

    Returns
    -------
    check : Check

    Raises
    ------
    MisfireError
        If the input cannot be used.
    """
    from misfire.fitness.checking import check_recording
    from misfire.measuring.opening import open_recording
    from misfire.report.remedies import explain

    opened = open_recording(recording, progress=progress, allow_outside=allow_outside)
    try:
        fitness = check_recording(opened, one_in=one_in, progress=progress)
    finally:
        opened.close()
    remarks = tuple(
        Remark(f.channel, f.code, f.severity, f.message, *explain(f)) for f in fitness.findings
    )
    names = tuple(channel.name for channel in opened.channels)
    document = {
        "schema": "misfire-check/1",
        "vehicle": opened.job.vehicle_id,
        "fit": fitness.fit,
        "channels": list(names),
        "firings_per_cylinder": fitness.n_firings,
        "shows_faults_of_one_in": fitness.one_in,
        "quality": [asdict(r) for r in remarks],
    }
    return Check(
        document,
        opened.job.vehicle_id,
        fitness.fit,
        names,
        fitness.n_firings,
        fitness.one_in,
        remarks,
    )


def compare(
    before: Path | str,
    after: Path | str,
    *,
    out: Path | str | None = None,
    cylinder: int | None = None,
    progress: Progress | None = None,
) -> Comparison:
    """Say whether a repair cured the fault.

    Parameters
    ----------
    before, after : path
        A recording, a job card, or a folder that `diagnose` wrote.
    out : path, optional
        Folder for compare.json and compare.html.
    cylinder : int, optional
        The repaired one; when left out, those that BEFORE accuses.
    progress : callable (stage, fraction), optional

    Returns
    -------
    comparison : Comparison

    Raises
    ------
    MisfireError
        If one of them cannot be used, or there is no such cylinder.
    """
    from misfire.comparison.comparing import compare as compute
    from misfire.report.comparison.files import write_comparison

    document = compute(before, after, cylinder=cylinder, progress=progress)
    if out is not None:
        write_comparison(document, Path(out))
    return Comparison(
        document,
        document["verdict"],
        document["settled"],
        document["direction"],
        document["headline"],
        tuple(document["reasons"]),
        tuple(document["notes"]),
        document["cycles_needed"],
        tuple(document["new_fault"]),
        tuple(_read_compared(c) for c in document["cylinders"]),
    )


def _read_compared(entry: Mapping[str, Any]) -> ComparedCylinder:
    """Read one cylinder of compare.json."""
    before, after = entry["before"], entry["after"]
    return ComparedCylinder(
        entry["cylinder"],
        entry["verdict"],
        before["lost"],
        before["judged"],
        after["lost"],
        after["judged"],
    )


def screen(
    folder: Path | str,
    out: Path | str,
    *,
    settings: ScreenSettings | None = None,
    progress: Callable[[ScreenProgress], None] | None = None,
    stopped: Callable[[], bool] = lambda: False,
) -> ScreenResult:
    """Judge every job card and recording under a folder; what is done is not done again.

    Parameters
    ----------
    folder : path
        Only read.
    out : path
        Gets results/, catalogue.sqlite, fleet.html, fleet.csv, fleet.parquet, fleet.json.
    settings : ScreenSettings, optional
    progress : callable, optional
    stopped : callable
        Asked again and again; once true, the page is made of what is there.

    Returns
    -------
    screening : ScreenResult

    Raises
    ------
    MisfireError
        If the folder cannot be read, `out` cannot be used, or the model does not fit.
    """
    from misfire.fleet.screening import screen as compute

    made = compute(folder, out, settings=settings, progress=progress, stopped=stopped)
    return ScreenResult(
        {**made.fleet, "run": made.run},
        tuple(
            FleetVehicle(v["rank"], v["id"], v["urgency"], v["reason"], v["verdict"])
            for v in made.fleet["vehicles"]
        ),
        tuple(NotJudged(**f) for f in made.fleet["failed"]),
        made.written,
        made.complete,
    )


def confirm(
    recording: Path | str,
    cases: Path | str | None,
    *,
    faults: Mapping[int, str],
    crank_fault: bool = False,
    who: str = "",
    when: str | None = None,
    note: str = "",
    by_reference: bool = False,
    bundle: Path | str | None = None,
    with_note: bool = False,
    progress: Progress | None = None,
) -> Case:
    """Keep what a repair proved as a labelled case.

    Parameters
    ----------
    recording : path
    cases : path or None
        Folder of cases; made if absent. None: only a case file is written.
    faults : mapping cylinder -> fault type
        Empty: the vehicle was proven sound, or has `crank_fault` only.
    crank_fault : bool
    who, note : str
        Who proved it, and how.
    when : str, optional
        ISO 8601 date; today if left out.
    by_reference : bool
        Name the recording where it is instead of copying it.
    bundle : path, optional
        A file that holds the case without personal data.
    with_note : bool
        Whether the note goes into that file.
    progress : callable (stage, fraction), optional

    Returns
    -------
    case : Case

    Raises
    ------
    MisfireError
        If the recording cannot be used, is confirmed already, or a fault is none of a cylinder.
    """
    from misfire.learning.confirming import confirm as compute

    made = compute(
        Path(recording),
        None if cases is None else Path(cases),
        faults=faults,
        crank_fault=crank_fault,
        who=who,
        when=when,
        note=note,
        by_reference=by_reference,
        bundle=None if bundle is None else Path(bundle),
        with_note=with_note,
        progress=progress,
    )
    document = {"schema": "misfire-confirm/1", **made}
    case, file = (None if made[k] is None else Path(made[k]) for k in ("case", "bundle"))
    return Case(document, case, file, made["vehicle"], made["truth"]["healthy"])


def evaluate(
    model: Path | str,
    cases: Sequence[Path | str],
    *,
    out: Path | str | None = None,
    workers: int = 1,
    seed: int = 0,
    progress: Progress | None = None,
) -> ModelScores:
    """Judge labelled cases with a model, and set it against the shipped one.

    Parameters
    ----------
    model : path of a bundle, or "shipped", or "physics"
    cases : sequence of path
        Folders of labelled cases.
    out : path, optional
        Folder for metrics.json, cases.csv, confusion.csv and reliability.svg.
    workers : int [>= 1]
    seed : int
        Of the resampling of vehicles.
    progress : callable (stage, fraction), optional

    Returns
    -------
    scores : ModelScores

    Raises
    ------
    MisfireError
        If the model does not fit or no case can be used.
    """
    from misfire.learning.evaluation import evaluate_folders, write_evaluation

    places = [Path(p) for p in cases]
    made = evaluate_folders(model, places, workers=workers, seed=seed, progress=progress)
    if out is not None:
        write_evaluation(made, Path(out))
    return _read_scores(made.summary, made.summary)


def train(
    cases: Sequence[Path | str],
    out: Path | str,
    *,
    workers: int = 1,
    seed: int = 0,
    with_curve: bool = False,
    progress: Progress | None = None,
) -> ModelScores:
    """Let proven repairs correct the shipped model.

    Parameters
    ----------
    cases : sequence of path
        Folders of labelled cases, and case files.
    out : path
        Folder of the new model.
    workers : int [>= 1]
    seed : int
        The same seed gives the same model.
    with_curve : bool
        Also find and draw what more cases would bring.
    progress : callable (stage, fraction), optional

    Returns
    -------
    scores : ModelScores
        On vehicles held out of the training: yours where you gave enough, else simulated ones.

    Raises
    ------
    MisfireError
        If there are too few cases, or a folder cannot be used.
    """
    from misfire.learning.runs import train as compute

    made = compute(
        [Path(p) for p in cases],
        Path(out),
        workers=workers,
        seed=seed,
        with_curve=with_curve,
        progress=progress,
    )
    return _read_scores(made, made["held_out"])


def _read_scores(document: dict[str, Any], scores: Mapping[str, Any]) -> ModelScores:
    """Read the figures of a model's document."""
    figures = {
        name: FigureValue(f["value"], f["low"], f["high"], f["vehicles"])
        for name, f in scores["figures"].items()
    }
    return ModelScores(
        document,
        document["model"],
        figures,
        document["worse"],
        document["verdict"],
        tuple(document["not_usable"]),
    )


def simulate(
    scenario: Path | str,
    out: Path | str,
    *,
    fmt: str | None = None,
    progress: Progress | None = None,
) -> Simulated:
    """Simulate a recording whose truth is known.

    Parameters
    ----------
    scenario : path
        What to simulate (TOML).
    out : path
        Folder for the capture files, job.toml and truth.json.
    fmt : str, optional
        wav, h5, csv or npz; default: the scenario's.
    progress : callable (stage, fraction), optional

    Returns
    -------
    simulated : Simulated

    Raises
    ------
    MisfireError
        If the scenario is wrong, or `out` cannot be written.
    """
    from misfire.simulate.recording import simulate as compute
    from misfire.simulate.scenario_file import read_scenario
    from misfire.simulate.writer import write_recording

    chosen = read_scenario(Path(scenario))
    if progress is not None:
        progress("simulating", 0.0)
    recording = compute(chosen)
    if progress is not None:
        progress("simulating", 0.5)
    job = write_recording(recording, Path(out), fmt=fmt)
    truth = Path(out) / "truth.json"
    document = {
        "schema": "misfire-simulate/1",
        "job": str(job),
        "truth": str(truth),
        "vehicle": chosen.vehicle,
    }
    return Simulated(document, job, truth, chosen.vehicle)


def hookup(
    out: Path | str,
    *,
    job: Path | str | None = None,
    cylinders: int | None = None,
    ignition: str = "coil_on_plug",
    firing_order: Sequence[int] = (),
    wheel: CrankWheel | None = None,
    wish: HookupWish | None = None,
    overwrite: bool = False,
) -> Hookup:
    """Plan which lead goes where, and write the page and the job card to fill in.

    Parameters
    ----------
    out : path
        Folder for hookup.html and job.toml.
    job : path, optional
        A job card of this engine; else give `cylinders`.
    cylinders : int [1..12], optional
    ignition : str [one of IGNITIONS]
    firing_order : sequence of int
        Empty: the commonest of this size is assumed, and said.
    wheel : CrankWheel, optional
    wish : HookupWish, optional
        Inputs, suspect, rarity of the fault, speed, rate, the file the instrument writes.
    overwrite : bool
        Whether page and card may be written over those of another plan.

    Returns
    -------
    hookup : Hookup

    Raises
    ------
    ParameterError
        If no engine can be like this, or neither or both of `job` and `cylinders` are given.
    OutputError
        If another card is there and `overwrite` is not given, or the folder cannot be written.
    """
    from misfire.errors import ParameterError
    from misfire.hookup.plan import HookupWish, make_engine, plan_from_job, plan_hookup
    from misfire.ingest.jobcard import read_job_card
    from misfire.report.hookup.page import write_hookup

    if (job is None) == (cylinders is None):
        raise ParameterError("give either a job card or the number of cylinders")
    wish = wish or HookupWish()
    if job is not None:
        plan = plan_from_job(read_job_card(Path(job)), wish)
    else:
        engine, assumed = make_engine(
            cylinders or 0, ignition=ignition, firing_order=tuple(firing_order)
        )
        plan = plan_hookup(engine, wish, wheel=wheel, assumed=assumed)
    page, card, written = write_hookup(plan, Path(out), replace=overwrite)
    return Hookup(_lay_out_plan(plan, page, card), plan, page, card, written)


def _lay_out_plan(plan: HookupPlan, page: Path, card: Path) -> dict[str, Any]:
    """Give the plan for programs."""
    return {
        "schema": "misfire-hookup/1",
        "vehicle": plan.vehicle,
        "engine": {
            "cylinders": plan.engine.cylinders,
            "firing_order": list(plan.engine.firing_order),
            "ignition": plan.engine.ignition,
        },
        "assumed": list(plan.assumed),
        "leads": [{**asdict(lead), "cylinders": list(lead.cylinders)} for lead in plan.leads],
        "reference": "battery negative",
        "free_inputs": plan.free_inputs,
        "rate_hz": plan.rate_hz,
        "rpm": plan.rpm,
        "record_s": plan.chosen.seconds,
        "file_mb": plan.chosen.megabytes,
        "lengths": [asdict(x) for x in plan.lengths],
        "told": [
            {"cylinders": list(t.cylinders), "told": list(t.types), "not_told": list(t.hidden)}
            for t in plan.told
        ],
        "resolved": plan.resolved,
        "page": str(page),
        "job": str(card),
    }
