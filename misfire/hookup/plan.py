"""The connection plan for an engine and a number of inputs: channels in order of value.

The plan is greedy: each input goes where it adds most to what `classify/separability.py` says can
be told, weighted by how common each fault is; without a sign of the cycle the sum counts less. The
waveforms on its page are simulated, not drawn.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from misfire.classify.separability import PRIOR, find_separable
from misfire.dsp.chances import count_needed
from misfire.errors import ParameterError
from misfire.hookup.leads import describe_lead
from misfire.hookup.waves import expect_waves
from misfire.numerals import spell
from misfire.records import FAULT_TYPES, CrankWheel, Engine, JobCard
from misfire.report.hookup.plan import HookupPlan, Lead, Length, Told

MOST_INPUTS = 16
USUAL_RPM = 800.0
USUAL_RATE_HZ = 200e3
USUAL_ONE_IN = 200
LADDER = (20, 100, 500, 2000)
# How surely a lost combustion is seen at all, by the witness that sees it (own judgement).
SEEN_BY = {"torque": 1.0, "burn": 0.7, "current": 0.35, "switching": 0.1}
UNRESOLVED = {"coil_on_plug": 0.3, "wasted_spark": 0.6, "distributor": 0.3}
SUSPECT_WEIGHT = 3.0

COUNT_ENDINGS = (".wav", ".rf64", ".w64", ".flac", ".aiff", ".h5", ".hdf5")

Place = tuple[str, tuple[int, ...]]
SPARE: tuple[Place, ...] = (("coil_current", ()), ("battery_voltage", ()), ("starter_current", ()))

# Handbook tables of firing orders; the commonest of each size.
USUAL_ORDERS: dict[int, tuple[int, ...]] = {
    1: (1,),
    2: (1, 2),
    3: (1, 2, 3),
    4: (1, 3, 4, 2),
    5: (1, 2, 4, 5, 3),
    6: (1, 5, 3, 6, 2, 4),
    8: (1, 5, 4, 2, 6, 3, 7, 8),
    10: (1, 6, 5, 10, 2, 7, 3, 8, 4, 9),
    12: (1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10),
}


@dataclass(frozen=True, slots=True)
class HookupWish:
    """What a plan is asked for, beside the engine.

    `file`: the name of the file that the instrument writes; its ending tells what it holds.
    """

    inputs: int = 4
    suspect: int = 0
    one_in: int = USUAL_ONE_IN
    rpm: float = USUAL_RPM
    rate_hz: float = USUAL_RATE_HZ
    file: str = "capture.wav"

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        if not 1 <= self.inputs <= MOST_INPUTS:
            raise ParameterError(f"inputs must be 1 to {MOST_INPUTS}, got {self.inputs}")
        if not 1 <= self.one_in <= 1_000_000:
            raise ParameterError(f"one-in must be 1 to 1000000, got {self.one_in}")
        if not 100 <= self.rpm <= 15000:
            raise ParameterError(f"rpm must be 100 to 15000, got {spell(self.rpm)}")
        if not 40e3 <= self.rate_hz <= 100e6:
            raise ParameterError(
                f"rate must be 40000 to 100000000 samples/s, got {spell(self.rate_hz)}: below "
                "40 kS/s "
                "the switch-off kick falls between the samples"
            )


def make_engine(
    cylinders: int, *, ignition: str = "coil_on_plug", firing_order: Iterable[int] = ()
) -> tuple[Engine, tuple[str, ...]]:
    """Make an engine from options.

    Parameters
    ----------
    cylinders : int [1..12]
    ignition : str [one of IGNITIONS]
    firing_order : iterable of int
        Empty: the commonest of this size is assumed.

    Returns
    -------
    engine : Engine
    assumed : tuple of str
        What was assumed, in words.

    Raises
    ------
    ParameterError
        If no engine can be like this.
    """
    order = tuple(firing_order)
    assumed: tuple[str, ...] = ()
    if not order and cylinders in range(1, 13):
        order = USUAL_ORDERS.get(cylinders, tuple(range(1, cylinders + 1)))
        if cylinders > 2:
            words = "-".join(map(str, order))
            assumed = (
                f"firing order {words}: the most usual one of {cylinders} cylinders; look up this "
                "engine's",
            )
    return Engine(cylinders=cylinders, firing_order=order, ignition=ignition), assumed


def plan_hookup(
    engine: Engine,
    wish: HookupWish,
    *,
    wheel: CrankWheel | None = None,
    vehicle: str = "",
    assumed: tuple[str, ...] = (),
    waves: bool = True,
) -> HookupPlan:
    """Plan the connections for one engine.

    Parameters
    ----------
    engine : Engine
    wish : HookupWish
    wheel : CrankWheel, optional
        Of the job card; the job card to fill in leaves the wheel out otherwise.
    vehicle : str
    assumed : tuple of str
    waves : bool
        Whether to simulate the waveforms to expect.

    Returns
    -------
    plan : HookupPlan

    Raises
    ------
    ParameterError
        If the suspect is no cylinder of the engine.

    Notes
    -----
    Length: binomial. The chance that a fault of one in N does not come in n firings is
    (1 - 1/N)^n; it is 5 % at n = ln 0.05 / ln(1 - 1/N), about 3 N.
    """
    if wish.suspect and wish.suspect not in engine.firing_order:
        raise ParameterError(
            f"suspect: the engine has no cylinder {wish.suspect}; it has {engine.cylinders}"
        )
    places = choose_places(engine, wish)
    leads = tuple(
        describe_lead(number, role, cylinders, engine=engine, wheel=wheel)
        for number, (role, cylinders) in enumerate(places, 1)
    )
    ladder = sorted({*LADDER, wish.one_in})
    lengths = tuple(_length(n, wish, len(leads)) for n in ladder)
    plan = HookupPlan(
        vehicle=vehicle,
        engine=engine,
        wheel=wheel,
        leads=leads,
        free_inputs=wish.inputs - len(leads),
        rate_hz=wish.rate_hz,
        rpm=wish.rpm,
        lengths=lengths,
        chosen=next(x for x in lengths if x.one_in == wish.one_in),
        told=_tell(places, engine),
        resolved=_say_resolved(places, engine),
        assumed=assumed,
        card=format_card(
            engine, leads, wheel=wheel, vehicle=vehicle, rate_hz=wish.rate_hz, file=wish.file
        ),
        suspect=wish.suspect,
    )
    if not waves:
        return plan
    return replace(plan, expected=expect_waves(engine, leads, wheel=wheel))


def plan_from_job(job: JobCard, wish: HookupWish, *, waves: bool = True) -> HookupPlan:
    """Plan the connections for the engine of a job card; see `plan_hookup`."""
    return plan_hookup(job.engine, wish, wheel=job.wheel, vehicle=job.vehicle_id, waves=waves)


def choose_places(engine: Engine, wish: HookupWish) -> tuple[Place, ...]:
    """Choose what to connect: each time the place that adds most to what can be told.

    Parameters
    ----------
    engine : Engine
    wish : HookupWish

    Returns
    -------
    places : tuple of (role, cylinders)
        In order of value, at most `wish.inputs`.
    """
    candidates = _list_candidates(engine, wish.suspect)
    chosen: list[Place] = []
    while candidates and len(chosen) < wish.inputs:
        now = _value(chosen, engine, wish.suspect)
        # the first of equals: candidates stand in order of ease
        best = max(candidates, key=lambda p: round(_value([*chosen, p], engine, wish.suspect), 9))
        if _value([*chosen, best], engine, wish.suspect) <= now + 1e-9:
            break
        chosen.append(best)
        candidates.remove(best)
    # inputs left over: a second witness of the dwell, then what looks at the supply
    extra = [p for p in SPARE if p not in chosen]
    chosen += extra[: max(0, wish.inputs - len(chosen))]
    return tuple(chosen)


def _list_candidates(engine: Engine, suspect: int) -> list[Place]:
    """List what can be connected, the easiest first; the suspect's coil before others."""
    order = sorted(engine.firing_order)
    if suspect:
        order = [suspect, *(c for c in order if c != suspect)]
    if engine.ignition == "distributor":
        coils: list[Place] = [("coil_primary", tuple(sorted(order)))]
    else:
        seen: list[tuple[int, ...]] = []
        for c in order:
            pair = next((tuple(sorted(p)) for p in engine.waste_pairs if c in p), (c,))
            if pair not in seen:
                seen.append(pair)
        coils = [("coil_primary", pair) for pair in seen]
    common: list[Place] = [("crank", ()), ("coil_current", ())]
    if engine.ignition != "coil_on_plug" and engine.cylinders > 1:
        common.append(("coil_secondary", (suspect or engine.firing_order[0],)))
    if engine.cylinders > 1:
        common.append(("cam", ()))
    return [*coils, *common]


def _witnesses(places: Iterable[Place], engine: Engine) -> dict[int, set[str]]:
    """Collect what evidence each cylinder has."""
    have: dict[int, set[str]] = {c: set() for c in engine.firing_order}
    for role, cylinders in places:
        for c in cylinders or engine.firing_order:
            if role == "coil_primary":
                have[c] |= {"burn", "switching"}
            elif role == "coil_secondary":
                have[c] |= {"burn"}
            elif role == "coil_current":
                have[c] |= {"current", "switching"}
            elif role == "crank":
                have[c] |= {"torque"}
    return have


def _is_resolved(places: Iterable[Place], engine: Engine) -> bool:
    """Tell whether a sign of the cycle is there: which cylinder is which."""
    roles = {role for role, _ in places}
    if engine.cylinders == 1 or "cam" in roles or "coil_secondary" in roles:
        return True
    return engine.ignition == "coil_on_plug" and "coil_primary" in roles


def _value(places: list[Place], engine: Engine, suspect: int) -> float:
    """Weigh what a set of places can tell, over all cylinders."""
    total = weights = 0.0
    for cylinder, have in _witnesses(places, engine).items():
        weight = SUSPECT_WEIGHT if cylinder == suspect else 1.0
        seen = max((SEEN_BY[w] for w in have if w in SEEN_BY), default=0.0)
        total += weight * (seen + sum(PRIOR[t] for t in find_separable(have)))
        weights += weight
    return total / weights * (1.0 if _is_resolved(places, engine) else UNRESOLVED[engine.ignition])


def _length(one_in: int, wish: HookupWish, n_channels: int) -> Length:
    """Work out time and file size, rounded up to what one says."""
    firings = count_needed(one_in)
    exact_s = firings * 120.0 / wish.rpm  # one firing of a cylinder in two turns
    step = 5.0 if exact_s < 60 else 30.0 if exact_s < 600 else 60.0
    seconds = math.ceil(exact_s / step) * step
    return Length(one_in, firings, seconds, seconds * wish.rate_hz * n_channels * 2 / 1e6)


def _tell(places: tuple[Place, ...], engine: Engine) -> tuple[Told, ...]:
    """Group the cylinders by what can be told of them."""
    groups: dict[frozenset[str], list[int]] = {}
    for cylinder, have in sorted(_witnesses(places, engine).items()):
        groups.setdefault(find_separable(have), []).append(cylinder)
    return tuple(
        Told(
            tuple(cylinders),
            tuple(t for t in FAULT_TYPES if t in types),
            tuple(t for t in FAULT_TYPES if t not in types),
        )
        for types, cylinders in groups.items()
    )


def _say_resolved(places: tuple[Place, ...], engine: Engine) -> str:
    """Say by what the cylinders are told apart."""
    if engine.cylinders == 1:
        return "There is but one cylinder."
    roles = {role: cylinders for role, cylinders in reversed(places)}
    if engine.ignition == "coil_on_plug" and "coil_primary" in roles:
        first = roles["coil_primary"][0]
        return f"The coil of cylinder {first} marks the cycle; the firing order gives the others."
    if "coil_secondary" in roles:
        first = roles["coil_secondary"][0]
        return (
            f"The pick-up on the lead of cylinder {first} marks the cycle; the firing order gives "
            "the others."
        )
    if "cam" in roles:
        return "The cam signal marks the cycle; the firing order gives the others."
    return (
        "Nothing marks the cycle: cylinders 360 degrees apart will not be told apart. One more "
        "input for "
        + (
            "the primary of one known cylinder"
            if engine.ignition == "coil_on_plug"
            else "a pick-up on one plug lead"
        )
        + " or the cam sensor would do it."
    )


def format_card(
    engine: Engine,
    leads: tuple[Lead, ...],
    *,
    wheel: CrankWheel | None,
    vehicle: str,
    rate_hz: float,
    file: str = "capture.wav",
) -> str:
    """Write the job card to fill in.

    Parameters
    ----------
    engine : Engine
    leads : tuple of Lead
    wheel : CrankWheel or None
    vehicle : str
    rate_hz : float [unit=Hz]
    file : str
        Where it ends as a sound file or HDF5 does, the numbers in it are stored counts of 16 bits;
        else they are volts at the instrument's input.

    Returns
    -------
    text : str
        TOML that can be read as it is; what is to be filled in carries a remark.
    """

    def quote(words: str) -> str:
        return json.dumps(words, ensure_ascii=False)

    lines = [
        "# Job card made by `misfire hookup`. Lines with FILL IN need a look; then:",
        "#   misfire check job.toml       is the recording fit",
        "#   misfire diagnose job.toml -o result",
        "",
        "[vehicle]",
        f"id = {quote(vehicle or 'vehicle-1')}"
        + ("" if vehicle else "               # FILL IN: a name for this vehicle"),
        'note = ""                      # FILL IN: what is felt, when',
        "# recorded = 2026-03-01T20:15:00   # when the recording began",
        "# odometer_km = 84210          # for the sheet, as technician and workshop",
        '# technician = ""',
        '# workshop = ""',
        "",
        "[engine]",
        f"cylinders = {engine.cylinders}",
        f"firing_order = {list(engine.firing_order)}",
        f"ignition = {quote(engine.ignition)}",
    ]
    even = [720.0 * i / engine.cylinders for i in range(engine.cylinders)]
    if any(abs(a - b) > 0.01 for a, b in zip(engine.firing_angles_deg, even, strict=True)):
        lines.append(f"firing_angles_deg = {list(engine.firing_angles_deg)}")
    if engine.waste_pairs:
        lines.append(f"waste_pairs = {[list(p) for p in engine.waste_pairs]}")
    if engine.coil_turns_ratio:
        lines.append(f"coil_turns_ratio = {engine.coil_turns_ratio!r}")
    else:
        lines.append("# coil_turns_ratio = 80        # if known: firing voltages then are true kV")
    roles = {lead.role for lead in leads}
    if "crank" in roles:
        lines += ["", *_format_wheel(wheel)]
    if "cam" in roles:
        lines += [
            "",
            "# [cam]                        # if known: crank angle (0..720 after compression TDC",
            "# edge_deg = 312.0             # of firing_order[0]) of the cam's first rising edge",
        ]
    counts = file.lower().endswith(COUNT_ENDINGS)
    first = 0 if counts else 1  # a table of values has its time in the first column
    for column, lead in enumerate(leads, first):
        scale = lead.scale if counts else lead.factor
        of_what = "a stored count, attenuation and all" if counts else "a volt at the input"
        lines += [
            "",
            "[[channel]]",
            f"role = {quote(lead.role)}",
            f"file = {quote(file)}           # FILL IN: the file the instrument wrote",
            f"column = {column}                     # input {lead.number}",
        ]
        if lead.cylinders:
            lines.append(f"cylinders = {list(lead.cylinders)}")
        lines += [
            f"unit = {quote(lead.unit)}",
            f"scale = {spell(scale, 6)}  # FILL IN: {lead.unit} for {of_what}",
            f"# rate_hz = {rate_hz:.1f}        # only if the file does not tell",
            f"name = {quote(lead.name)}",
        ]
    lines += [
        "",
        "# [[mark]]                     # a moment that was noted: felt, wiggled, wetted, warm",
        "# time_s = 65.2                # seconds from the start; or clock = 20:16:05",
        '# text = "felt"                # the same words for the same thing',
    ]
    return "\n".join(lines) + "\n"


def _format_wheel(wheel: CrankWheel | None) -> list[str]:
    """Write the wheel, or how to write it."""
    if wheel is None:
        return [
            "# [crank_wheel]                # leave it out to have it worked out, or:",
            "# positions = 60               # tooth positions, the missing ones counted",
            "# missing = 2",
            "# tdc_deg = 84.0               # first tooth after the gap to TDC of firing_order[0]",
        ]
    lines = ["[crank_wheel]", f"positions = {wheel.positions}"]
    lines.append(f"gaps = {[list(g) for g in wheel.gaps]}" if wheel.gaps else "missing = 0")
    if wheel.tdc_deg is not None:
        lines.append(f"tdc_deg = {float(wheel.tdc_deg)!r}")
    if wheel.sensor:
        lines.append(f'sensor = "{wheel.sensor}"')
    return lines
