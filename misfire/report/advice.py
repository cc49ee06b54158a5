"""What to test next for each type of fault, cheap and safe first, and the cautions with it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from misfire.errors import ParameterError
from misfire.records import FAULT_TYPES, IGNITIONS, Channel, Engine

# The order and content of the tests are common practice of the trade.
_HIGH_VOLTAGE = (
    "Caution: ignition voltages of tens of kilovolts; switch off before touching, "
    "never run with a secondary left open."
)
_RUNNING = (
    "Caution: clip on with the engine off. A running coil has hundreds of volts at its primary and "
    "tens of kilovolts at its secondary: do not touch it, and keep hands, leads and clothing clear "
    "of fans, belts and hot parts."
)
CLIP_ON = (
    "Caution: clip on with the engine off; then keep hands, leads and clothing clear of fans, "
    "belts and hot parts, and touch no ignition part of a running engine."
)
_HOT = "Caution: let the engine cool; hot exhaust parts."
_CAP = (
    "Ignition off, engine cool: look at the distributor cap, the rotor and the lead from the coil "
    f"for wear, burnt tracks and a loose end. {_HOT}"
)
_ROTATING = "Caution: keep hands, leads and clothing clear of fans, belts and hot parts."
_FUEL = (
    "Caution: fuel under pressure and fuel vapour; relieve the pressure as the maker says, "
    "no flame or spark nearby."
)
_CRANKING = (
    "Caution: disable fuel and ignition as the maker says; keep clear of moving parts "
    "while cranking."
)

_CAUTIONS = (
    "The vehicle maker's procedure, local rules and licensed practice come first; nothing here "
    "replaces them. Work that you are not trained for belongs in a workshop.",
    "Ignition: tens of kilovolts at the secondary and hundreds of volts at the primary. Do not "
    "touch or disconnect ignition parts with the engine running, never let a coil fire into an "
    "open circuit, and use a spark tester of a rated type. People with a pacemaker keep away.",
    "Moving and hot parts: keep hands, leads and loose clothing clear of fans, belts and pulleys; "
    "a fan may start with the engine off. Let exhaust parts and coolant cool down.",
    "Fuel: relieve the pressure before opening a line, keep sparks and flames away, catch what "
    "runs out, have a fire extinguisher at hand.",
    "Running engine: brake on, wheels chocked, gear in neutral or park, exhaust gas led outdoors.",
    "Measuring: an attenuator rated for the switch-off kick on every coil or injector lead, "
    "earth on battery negative, instruments isolated from mains earth or supplied by battery.",
    "A misfire that goes on can overheat the catalytic converter: keep runs short, the load low.",
)

_AGAIN = (
    "After the repair, record again at the same speeds and load and compare the two recordings, "
    "before the parts are thrown away."
)


def cautions() -> tuple[str, ...]:
    """Give the cautions that go with every advice to touch the vehicle.

    Returns
    -------
    cautions : tuple of str
    """
    return _CAUTIONS


@dataclass(frozen=True, slots=True)
class _Asked:
    """What advice is asked for: the ignition, the roles recorded, and the cylinders of the coils.

    `pair`: the suspect and the cylinder that shares its coil; `others`: those of another coil.
    Both are empty unless the ignition is wasted_spark and the cylinder is known. `whole`: all
    cylinders fail alike, so what they share is looked at first.
    """

    ignition: str
    present: frozenset[str]
    pair: tuple[int, ...] = ()
    others: tuple[int, ...] = ()
    whole: bool = False


def next_tests(
    fault_type: str,
    *,
    ignition: str,
    channels_present: Collection[str],
    cylinder: int | None = None,
    waste_pairs: Sequence[tuple[int, int]] = (),
    whole: bool = False,
) -> tuple[str, ...]:
    """Give the tests that prove or clear a fault, cheap and safe first.

    Parameters
    ----------
    fault_type : str [one of FAULT_TYPES]
    ignition : str [one of IGNITIONS]
    channels_present : collection of str
        Roles of the channels in the recording; what is missing may be worth recording.
    cylinder : int, optional
        The suspect; with `waste_pairs` the tests name the coil to swap with.
    waste_pairs : sequence of (int, int)
        Cylinders that share a coil.
    whole : bool
        Whether all cylinders fail alike.

    Returns
    -------
    tests : tuple of str
        Whole sentences, each with its caution where hands go near high voltage, hot, rotating
        or fuel-carrying parts.

    Raises
    ------
    ParameterError
        If the fault type or the ignition is not known.
    """
    if fault_type not in FAULT_TYPES:
        raise ParameterError(f"fault_type must be one of {', '.join(FAULT_TYPES)}")
    if ignition not in IGNITIONS:
        raise ParameterError(f"ignition must be one of {', '.join(IGNITIONS)}")
    own_tests = {
        "open_secondary": _open_secondary,
        "fouled_plug": _fouled_plug,
        "weak_coil": _weak_coil,
        "no_primary": _no_primary,
        "mixture": _mixture,
        "low_compression": _low_compression,
        "crank_signal": _crank_signal,
    }[fault_type]
    pairs = [tuple(p) for p in waste_pairs] if ignition == "wasted_spark" else []
    mine = next((p for p in pairs if cylinder in p), ())
    pair = tuple(sorted(mine, key=lambda c: c != cylinder))
    others = next((p for p in pairs if p != mine), ()) if mine else ()
    return (*own_tests(_Asked(ignition, frozenset(channels_present), pair, others, whole)), _AGAIN)


def list_engine_tests(ignition: str) -> tuple[str, ...]:
    """Give the tests for combustions that all cylinders lose alike.

    Parameters
    ----------
    ignition : str [one of IGNITIONS]

    Returns
    -------
    tests : tuple of str
    """
    tests = [
        "Read the stored codes and the fuel trims: was a speed limiter, a fuel cut or an "
        "immobiliser at work? Was the road rough? Then record again without it.",
        f"Measure the fuel pressure at idle and under load. {_FUEL}",
        "Voltage drop of the common feed and earth of the coils with the engine running, compared "
        f"with the maker's limit. {_RUNNING}",
    ]
    if ignition == "distributor":
        tests.insert(0, _CAP)
    return tuple(tests)


def advise_cycle(engine: Engine, channels: Sequence[Channel], cylinders: tuple[int, int]) -> str:
    """Say how to find out which of two cylinders, 360 degrees apart, an event belongs to.

    Parameters
    ----------
    engine : Engine
    channels : sequence of Channel
        Those recorded.
    cylinders : (int, int)

    Returns
    -------
    words : str
        A whole sentence or two. Coils that serve two cylinders, or all, are not asked for.

    Notes
    -----
    On a waste-spark coil the plug under compression needs the higher voltage (common practice), so
    a pick-up on one lead tells the two revolutions apart.
    """
    a, b = cylinders
    pick_up = f"a secondary pick-up on the plug lead of cylinder {a} or {b} (give its `cylinders`)"
    cam = "a cam sensor (with [cam] edge_deg in the card)"
    if engine.ignition == "distributor":
        return f"Record {pick_up}, or {cam}"
    pairs = {frozenset(p) for p in engine.waste_pairs}
    if engine.ignition != "wasted_spark" or frozenset(cylinders) not in pairs:
        known = any(
            c.role in ("coil_primary", "coil_trigger") and len(c.cylinders) == 1 for c in channels
        )
        coil = "" if known else "the primary of one coil of a known cylinder, "
        return f"Record {coil}{cam}, or {pick_up}"
    other = next((p for p in engine.waste_pairs if a not in p), None)
    words = f"Both are fired by one coil. Record {pick_up}, or {cam}"
    if other is None:
        return words
    return (
        f"{words}; or, with the engine off, swap the plugs and leads of cylinders {a} and "
        f"{other[0]} and record again: if the other coil's pair now fails, plug or lead of "
        f"cylinder {a} is at fault. {_HIGH_VOLTAGE}"
    )


def _swap_secondary(asked: _Asked) -> str:
    """Say which part of the secondary to swap with another cylinder's, and how to read it."""
    if asked.ignition == "coil_on_plug":
        part, with_whom = "the coil with its boot", "with another cylinder's"
        stays = "look at the plug, the coil's wiring and the cylinder"
    else:
        part, with_whom = "the plug lead", "with another cylinder's"
        stays = "look at the plug, the distributor cap and rotor, and the cylinder"
    if asked.ignition == "wasted_spark":
        with_whom = "with one of the other coil"
        stays = "look at the coil, the plug and the cylinder"
        if asked.others:
            with_whom = f"with that of cylinder {asked.others[0]}, which the other coil fires,"
    return (
        f"Engine off and cool: swap {part} {with_whom} and record again. If the fault moves "
        f"with it, that part is at fault; if it stays, {stays}. {_HIGH_VOLTAGE}"
    )


def _swap_coil(asked: _Asked) -> str:
    """Say with which coil to swap the suspect's, and how to read the outcome."""
    if asked.ignition == "distributor":
        return (
            "One coil serves all cylinders. Engine off and cool: fit a coil known to be good, of "
            "the same type, and record again. If the fault stays, look at the coil's feed and "
            f"earth, its driver, the lead to the distributor, cap and rotor. {_HIGH_VOLTAGE}"
        )
    if asked.ignition == "coil_on_plug":
        what = "swap the coil with another cylinder's"
        stays = "look at its feed, earth, trigger and driver, then at boot, plug and cylinder"
    else:
        what = "swap the coil with the other coil, if the two are alike"
        if asked.pair and asked.others:
            own, other = (" and ".join(map(str, p)) for p in (asked.pair, asked.others))
            what = (
                f"swap the coil of cylinders {own} with the other coil (of cylinders {other}), if "
                "the two are alike; every lead stays on its plug"
            )
        stays = (
            "look at feed, earth and driver of this coil, then at the leads, plugs and cylinders "
            "of its pair. Where both coils are one block, fit a block known to be good instead"
        )
    return (
        f"Engine off and cool: {what}, and record again. If the fault moves with it, the coil is "
        f"at fault; if it stays, {stays}. {_HIGH_VOLTAGE}"
    )


def _swap_plug(asked: _Asked) -> str:
    """Say how to swap the plug."""
    whose = f"that of cylinder {asked.others[0]}" if asked.others else "another cylinder's"
    return (
        "Engine off and cold: take the plug out, compare it with the others, measure the gap "
        f"against the maker's figure, swap it with {whose} and record again. {_HOT}"
    )


def _spark_tester() -> str:
    """Say how to use a spark tester."""
    return (
        "Spark tester of a rated type, set to the required voltage the maker names, fitted with "
        "the engine off between lead or coil and engine earth: the spark must jump steadily while "
        f"the engine is cranked. {_HIGH_VOLTAGE}"
    )


def _lead_resistance(ignition: str) -> str:
    """Say how to check the secondary's resistance."""
    part = "the boot and its resistor" if ignition == "coil_on_plug" else "each plug lead"
    return (
        f"Ignition off, part removed: measure the resistance of {part}, bend it while reading, and "
        "compare with the other cylinders' and with the maker's figure."
    )


def _open_secondary(asked: _Asked) -> tuple[str, ...]:
    """Give the tests for a wide gap, an open lead or high secondary resistance."""
    tests = [
        "Ignition off, engine cool: look for a boot or lead that is loose, corroded, cracked or "
        f"burnt, and push it fully home. {_HOT}",
        _swap_secondary(asked),
        _lead_resistance(asked.ignition),
        _swap_plug(asked),
    ]
    if asked.ignition == "distributor":
        tests.insert(0 if asked.whole else 1, _CAP)
    tests.append(_spark_tester())
    return tuple(tests)


def _fouled_plug(asked: _Asked) -> tuple[str, ...]:
    """Give the tests for a shunted or tracked secondary path."""
    return (
        _swap_plug(asked),
        "Ignition off: look for burnt tracks on the plug insulator, inside the boot and at the "
        "coil tower; replace plug and boot together where there is one.",
        _swap_secondary(asked),
        "If the plug fouls again, find out why: read the fuel trims (too rich), look for oil on "
        "the plug and for water or oil in the plug well.",
        _spark_tester(),
    )


def _weak_coil(asked: _Asked) -> tuple[str, ...]:
    """Give the tests for low stored energy."""
    tests = [
        "Voltage drop of the coil feed and earth with the engine running, measured from battery "
        "positive and from battery negative to the coil's low-voltage connector: compare with the "
        f"other coils and with the maker's limit. {_RUNNING}",
        _swap_coil(asked),
        "Ignition off, coil unplugged: measure the primary resistance and compare with the other "
        "coils and with the maker's figure (shorted turns may hide at rest).",
    ]
    if "coil_current" not in asked.present:
        tests.append(
            "Record again with a current clamp on this coil's feed: shorted turns make the ramp "
            f"too steep, resistance bends it early. {_RUNNING}"
        )
    tests.append(_spark_tester())
    return tuple(tests)


def _no_primary(asked: _Asked) -> tuple[str, ...]:
    """Give the tests for a coil that is not switched."""
    tests = [
        "Ignition off: look at the coil's connector for a pin pushed back, corrosion or a broken "
        "wire; plug it in again.",
        "Ignition on, engine off: supply voltage and earth at the coil's connector, compared with "
        f"another coil's. {_HIGH_VOLTAGE}",
        _swap_coil(asked),
    ]
    if "coil_trigger" not in asked.present:
        tests.append(
            "Record again with the trigger line of this coil: a trigger without dwell means the "
            f"coil or its driver, no trigger means the wiring or the control unit. {_RUNNING}"
        )
    tests.append(
        "Ignition off, both ends unplugged: continuity of the wire from coil to control unit, and "
        "to earth and supply for shorts. Suspect the driver only when all of this is right."
    )
    return tuple(tests)


def _mixture(asked: _Asked) -> tuple[str, ...]:
    """Give the tests for a cylinder whose spark is good but whose charge does not burn."""
    tests = [
        "Read the stored codes and the fuel trims of each bank at idle and at a steady 2500 "
        "rev/min: strongly positive trims mean lean (air leak, fuel supply, injector).",
        "Look and listen for an air leak at the intake of this cylinder (gasket, hoses, injector "
        f"seal). {_ROTATING}",
    ]
    if not asked.present & {"injector_voltage", "injector_current"}:
        tests.append(
            "Record again with the injector's voltage and current of this cylinder and of a good "
            "one: compare opening time and current. Use an attenuator: the injector kicks at "
            f"switch-off. {CLIP_ON}"
        )
    tests += [
        "Ignition off: measure the injector's resistance and compare with the others and with the "
        "maker's figure.",
        "Where the maker allows it, swap the injector with another cylinder's and record again. "
        f"{_FUEL}",
        _swap_plug(asked),
        "If fuel and spark are right, test the sealing: relative compression by starter current, "
        f"then a cylinder leakage test. {_CRANKING}",
    ]
    return tuple(tests)


def _low_compression(asked: _Asked) -> tuple[str, ...]:
    """Give the tests for a cylinder that does not seal."""
    tests = []
    if "starter_current" not in asked.present:
        tests.append(
            "Relative compression: clamp on the starter cable, crank for five seconds with fuel "
            "and ignition disabled and record; at the cylinder that does not seal the starter "
            "needs the least current. "
            f"{_CRANKING}"
        )
    return (
        *tests,
        "Cranking compression with a gauge, all plugs out, throttle open: compare the cylinders "
        f"with one another and with the maker's limits. {_CRANKING}",
        "Cylinder leakage test at compression TDC: listen at intake, exhaust, oil filler and "
        "coolant for where the air goes. Caution: the crank can turn under air pressure; secure "
        "it and take tools off it.",
        "Check valve clearance and valve timing against the maker's figures before the head "
        f"comes off. {_HOT}",
    )


def _crank_signal(asked: _Asked) -> tuple[str, ...]:
    """Give the tests for a crank sensor or wheel that only looks like a misfire."""
    tests = [
        "Ignition off: look at the crank sensor's connector, wiring and shield for chafing, and "
        f"keep it clear of ignition leads. {_ROTATING}",
        "Look at the sensor's air gap and at the toothed wheel for a bent or chipped tooth, metal "
        f"swarf or run-out; turn the engine by hand. {_ROTATING}",
        f"Record the crank signal again at idle and at 3000 rev/min in neutral. {CLIP_ON}",
    ]
    if "coil_primary" not in asked.present:
        tests.append(
            "Record a coil primary along with it, through an attenuator: a good spark in the "
            f"doubtful firings points to the sensor as the fault. {_RUNNING}"
        )
    tests.append("Fit a known good sensor and record again before any other part is replaced.")
    return tuple(tests)
