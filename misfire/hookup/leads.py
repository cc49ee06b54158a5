"""What one lead needs: where it is clipped on, probe, range, coupling, rate, caution."""

from __future__ import annotations

from misfire.records import CrankWheel, Engine
from misfire.report.hookup.plan import Lead
from misfire.report.hookup.rates import find_least_rate

# All common practice of the trade. Ranges are at the probe's tip, so that attenuation is in them.
_PRIMARY_CAUTION = (
    "The kick reaches some 400 V (up to 600 V with the secondary open): never straight into an "
    "input, only through an attenuator rated for it, and connected with the engine off."
)
_HIGH_OHM = "probe of 1 megohm or more, so that the sensor is not loaded"


def describe_lead(
    number: int,
    role: str,
    cylinders: tuple[int, ...],
    *,
    engine: Engine,
    wheel: CrankWheel | None,
) -> Lead:
    """Describe one lead.

    Parameters
    ----------
    number : int
        Of the instrument's input.
    role : str
        Of a channel.
    cylinders : tuple of int
    engine : Engine
    wheel : CrankWheel or None

    Returns
    -------
    lead : Lead
    """
    if role == "coil_primary":
        return _describe_primary(number, cylinders, engine)
    if role == "crank":
        return _describe_crank(number, wheel)
    if role == "coil_secondary":
        return _describe_pickup(number, cylinders, engine)
    coils = "the coil" if engine.ignition == "distributor" else "all coils"
    rows = {
        "coil_current": Lead(
            number=number,
            role=role,
            cylinders=(),
            name="coil feed",
            where=f"round the feed wire of {coils} (at the fuse or relay), arrow from the fuse on",
            probe="DC current clamp, 20 kHz or more; zero it, closed, before recording",
            short="clamp",
            attenuation="100 mV/A (or 10 mV/A)",
            range_value=20.0,
            unit="A",
            coupling="DC",
            least_rate_hz=find_least_rate("coil_current"),
            factor=10.0,
            gives=f"dwell and peak current of {coils}: weak coils, loaded plugs, missing dwell",
        ),
        "cam": Lead(
            number=number,
            role=role,
            cylinders=(),
            name="cam",
            where="signal wire of the cam sensor, back-probed at a connector",
            probe=_HIGH_OHM,
            short="10:1",
            attenuation="10:1",
            range_value=20.0,
            unit="V",
            coupling="DC",
            least_rate_hz=10e3,
            factor=10.0,
            gives="which of the two turns is the compression",
        ),
        "battery_voltage": Lead(
            number=number,
            role=role,
            cylinders=(),
            name="battery",
            where="battery positive terminal",
            probe="fused test lead",
            short="fused",
            attenuation="1:1 (or 10:1)",
            range_value=20.0,
            unit="V",
            coupling="DC",
            least_rate_hz=10e3,
            factor=1.0,
            gives="supply dips and alternator ripple",
            caution="Fuse the lead to battery positive at the battery.",
        ),
        "starter_current": Lead(
            number=number,
            role=role,
            cylinders=(),
            name="starter",
            where="round the thick lead from battery positive to the starter",
            probe="DC current clamp of 600 A or more",
            short="clamp",
            attenuation="1 mV/A",
            range_value=1000.0,
            unit="A",
            coupling="DC",
            least_rate_hz=10e3,
            factor=1000.0,
            gives="relative compression of the cylinders while cranking",
        ),
    }
    return rows[role]


def _describe_primary(number: int, cylinders: tuple[int, ...], engine: Engine) -> Lead:
    """Describe the lead to a coil's switched terminal."""
    every = engine.ignition == "distributor"
    which = " and ".join(map(str, cylinders))
    plural = "s" if len(cylinders) > 1 else ""
    coil = "the coil" if every else f"the coil of cylinder{plural} {which}"
    return Lead(
        number=number,
        role="coil_primary",
        cylinders=cylinders,
        name="primary" if every else f"primary {'+'.join(map(str, cylinders))}",
        where=f"switched terminal of {coil} (the driver's side, not the feed)",
        probe="attenuator, 600 V or more",
        short="20:1",
        attenuation="20:1",
        range_value=500.0,
        unit="V",
        coupling="DC",
        least_rate_hz=find_least_rate("coil_primary"),
        factor=20.0,
        gives=f"dwell, burn time and, where the rate suffices, firing voltage of {coil}",
        caution=_PRIMARY_CAUTION,
    )


def _describe_crank(number: int, wheel: CrankWheel | None) -> Lead:
    """Describe the lead to the crank sensor."""
    hall = wheel is not None and wheel.sensor == "hall"
    either = "" if hall else "; of an inductive sensor either wire, the other to reference"
    return Lead(
        number=number,
        role="crank",
        cylinders=(),
        name="crank",
        where=f"signal wire of the crank sensor, back-probed at a connector{either}",
        probe=_HIGH_OHM,
        short="10:1",
        attenuation="10:1",
        range_value=10.0 if hall else 50.0,
        unit="V",
        coupling="DC",
        least_rate_hz=find_least_rate("crank", wheel),
        factor=10.0,
        gives="speed within the cycle: the work of every cylinder, stroke by stroke",
        caution="" if hall else "An inductive crank sensor gives tens of volts at speed.",
    )


def _describe_pickup(number: int, cylinders: tuple[int, ...], engine: Engine) -> Lead:
    """Describe the capacitive pick-up on a plug lead."""
    which = " and ".join(map(str, cylinders))
    told = "are its compression sparks" if engine.ignition == "wasted_spark" else "are its own"
    return Lead(
        number=number,
        role="coil_secondary",
        cylinders=cylinders,
        name=f"pick-up {which}",
        where=f"insulation of the plug lead of cylinder {which}, clip closed round it",
        probe="capacitive pick-up, either polarity",
        short="pick-up",
        attenuation="1:1 behind the pick-up",
        range_value=10.0,
        unit="V",
        coupling="DC",
        least_rate_hz=find_least_rate("coil_secondary"),
        factor=1.0,
        gives=f"of cylinder {which}: which sparks {told}; its firing line and burn",
        caution="Pick-up: never open a plug lead or pierce it; clip on with the engine off.",
    )
