"""What each finding means for the diagnosis, and what to do about it."""

from __future__ import annotations

from misfire.records import Finding
from misfire.report.hookup.rates import say_rates

# code: (what follows for the diagnosis, what to do). All common practice of the trade.
WORDS: dict[str, tuple[str, str]] = {
    "clipped": (
        "values beyond the limit are lost: heights (firing voltage, peak current) are lower bounds",
        "choose the next larger range or a probe with more attenuation, and record again",
    ),
    "low_resolution": (
        "the steps of the instrument are too coarse to tell the faults apart",
        "choose the smallest range that still holds the signal, or the mode with the most bits",
    ),
    "rate_low": (
        "what is shorter than a few samples is missed or measured wrongly",
        f"record with a higher sampling rate: {say_rates()}",
    ),
    "earth_offset": (
        "levels are shifted: dwell voltage and supply cannot be read as they stand",
        "put the reference on battery negative itself, check the earth lead, zero the channel",
    ),
    "earth_lift": (
        "the reference moves with the coil's current: voltages are wrong by as much",
        "put the reference on battery negative, then measure the voltage drop of the engine earth",
    ),
    "noisy": (
        "small changes are lost in the noise: burn time and slow flanks become uncertain",
        "put the reference on battery negative, keep leads short and away from secondary leads, "
        "use a screened lead, run the instrument on battery",
    ),
    "alternator_ripple": (
        "the supply voltage goes up and down with the alternator: coil currents differ from firing "
        "to firing",
        "check alternator and battery connections; record again with loads switched off",
    ),
    "mains_hum": (
        "mains voltage is added to the signal: levels and zero crossings shift with it",
        "run the instrument on battery or isolated; keep leads away from mains leads; put the "
        "reference on battery negative",
    ),
    "ignition_crosstalk": (
        "sparks cause pulses in this channel: too many teeth or edges may be counted",
        "keep the lead away from coils and plug leads, use a screened lead, put the reference on "
        "battery negative",
    ),
    "clamp_zero": (
        "currents read directly are wrong by this much; the peak in this report is measured from "
        "the step at switch-off and is right",
        "zero the clamp, closed, with no lead in it, before recording",
    ),
    "clamp_drift": (
        "the zero drifts: the clamp may leave its range, small ramps become uncertain",
        "zero the clamp warm, check its battery, keep it away from hot parts; record again",
    ),
    "dropout": (
        "firings in these stretches are not seen and must not be counted as lost",
        "check plugs, clips and the instrument's buffer; record again or use the rest only",
    ),
    "truncated": (
        "the end of the recording is missing",
        "copy or export the file again; what is there is used",
    ),
    "firing_order_wrong": (
        "sparks and work would be given to the wrong cylinders: the report may name the wrong one",
        "look up the firing order of this engine, check which coil each lead is on, correct the "
        "job card",
    ),
    "sparks_misplaced": (
        "sparks and work would be given to the wrong cylinders, or to none",
        "check the number of cylinders, firing order, firing angles, ignition and crank wheel in "
        "the job card, and that all files are of this vehicle and this recording",
    ),
    "wheel_wrong": (
        "no crank angle: no work of the cylinders can be judged",
        "correct [crank_wheel] in the job card, or leave it out to have it worked out",
    ),
    "attenuation_wrong": (
        "a usual factor was corrected for reading; with any other factor the values stay wrong",
        "correct `scale` in the job card, or the probe's switch before the next recording",
    ),
    "polarity_reversed": (
        "none: the signal was inverted for reading",
        "turn the clamp or the leads, or give `scale` the other sign in the job card",
    ),
    "dead_channel": (
        "nothing can be judged from this channel",
        "check the connection, the range, the probe's switch and that the clamp is switched on",
    ),
    "role_wrong": (
        "the channels cannot be used as the job card names them, and no cylinder is named",
        "correct `role` and `column` in the job card; the leads may be swapped",
    ),
    "too_short": (
        "a fault as rare as this may not have come during the recording",
        "record for longer, at the speed and load at which the fault is felt",
    ),
    "speed_jump": (
        "rates, cylinders and faults of different engines or drives are mixed",
        "diagnose each recording by itself",
    ),
    "tdc_doubtful": (
        "work may be given to the wrong cylinder",
        "check tdc_deg in the job card, or leave it out to have it worked out",
    ),
    "no_strokes": (
        "no spark can be judged from this channel",
        "check the connection, the range and the attenuation",
    ),
    "no_sync": (
        "no crank angle: no work of the cylinders can be judged",
        "check sensor, connection, range and [crank_wheel]",
    ),
    "crank_silent": (
        "no crank angle: no work of the cylinders can be judged",
        "check the sensor's connection and the input range",
    ),
    "crank_repaired": (
        "work next to these teeth is not judged",
        "check sensor, air gap, wheel and wiring if it returns",
    ),
    "crank_lost": (
        "firings in these stretches are not judged",
        "check sensor, air gap, wheel, wiring and the input range",
    ),
    "crank_mostly_lost": (
        "most of the recording cannot be judged",
        "check sensor, air gap, wheel, wiring, the input range and [crank_wheel]",
    ),
    "over_range": (
        "values beyond the limit are lost",
        "choose a larger range, or export without gaps",
    ),
    "gaps": (
        "firings in the gaps are not seen",
        "record again without gaps; the instrument's buffer may be too small",
    ),
    "rate": (
        "if the job card is wrong, all times are wrong",
        "correct or leave out rate_hz in the job card",
    ),
    "clock_unknown": (
        "that instrument's channels are left out",
        "clip one channel of each instrument on the same coil, or give start_s",
    ),
    "phase_unknown": (
        "cylinders 360 degrees apart share their probability",
        "connect a cam sensor or a secondary pick-up on one plug lead; with a coil on each plug, "
        "the primary of one known cylinder is enough",
    ),
    "cylinders_unknown": (
        "cylinders cannot be told apart",
        "put a secondary pick-up on one plug lead, or record the primary of one coil on one plug, "
        "and give its `cylinders` in the job card; with a crank sensor, tdc_deg does as well",
    ),
    "not_measurable": (
        "no diagnosis can be made",
        "clip on a coil primary or the crank sensor (`misfire hookup` says how); where one was "
        "recorded, see what is said of it here",
    ),
}

EXPLAINED = ("clipped", "ignition_crosstalk", "phase_unknown")  # though they only inform


def explain(finding: Finding) -> tuple[str, str]:
    """Give what follows from a finding and what to do; both empty where it only informs.

    Parameters
    ----------
    finding : Finding

    Returns
    -------
    consequence, remedy : str
    """
    if finding.severity == "info" and finding.code not in EXPLAINED:
        return "", ""
    return WORDS.get(finding.code, ("", ""))
