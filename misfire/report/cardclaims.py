"""What comes from the job card alone: fields that number a cylinder, with no signal to check."""

from __future__ import annotations

from misfire.limits import FAULTY
from misfire.records import COIL_ROLES, Diagnosis, JobCard
from misfire.report.wording import join_words


def list_claims(job: JobCard, cylinder: int) -> tuple[str, ...]:
    """List the fields that give a cylinder its number and that nothing recorded could contradict.

    Parameters
    ----------
    job : JobCard
    cylinder : int

    Returns
    -------
    fields : tuple of str
        Of `cylinders` (of the lead that shows it), `firing_order`, `tdc_deg` and `edge_deg`; empty
        where signals that agree with one another and with the card give the number.

    Notes
    -----
    A coil channel that names one cylinder, or a waste-spark pair, marks a place of the cycle. Two
    such places deny a firing order that does not fit them; one of them denies a TDC or cam edge
    that puts its spark elsewhere. Where each marked lead sits, nothing tells.
    """
    engine = job.engine
    if engine.cylinders == 1:
        return ()
    pairs = {frozenset(p) for p in engine.waste_pairs}
    marked = {
        frozenset(c.cylinders)
        for c in job.channels
        if c.role in COIL_ROLES and (len(c.cylinders) == 1 or frozenset(c.cylinders) in pairs)
    }
    has_crank = any(c.role == "crank" for c in job.channels)
    own = any(cylinder in place for place in marked)
    claims = []
    if own and len(marked) == 1:
        claims.append("cylinders")
    # a cylinder that no lead marks is counted on from one that is
    if not own and engine.cylinders > 2:
        claims.append("firing_order")
    if not marked and has_crank and job.wheel is not None and job.wheel.tdc_deg is not None:
        claims.append("tdc_deg")
    singles = any(len(place) == 1 for place in marked)
    if job.cam is not None and not singles and any(c.role == "cam" for c in job.channels):
        claims.append("edge_deg")
    return tuple(claims)


def describe_claims(diagnosis: Diagnosis, *cylinders: int) -> str:
    """Say in a sentence what the numbers of cylinders rest on; empty where signals give them.

    Parameters
    ----------
    diagnosis : Diagnosis
    cylinders : int
        One, or several of the same claims.

    Returns
    -------
    sentence : str
    """
    engine = diagnosis.job.engine
    if all(c.probability >= FAULTY for c in diagnosis.cylinders):
        return ""  # all of them are at fault, whatever they are called
    several = len(cylinders) > 1
    names = f"cylinder{'s' * several} {join_words([str(c) for c in cylinders])}"
    words = {
        "cylinders": f"it says that the lead is on the coil of {names}",
        "firing_order": f"firing order {'-'.join(map(str, engine.firing_order))}, with no lead on "
        f"{names} {'themselves' if several else 'itself'}",
        "tdc_deg": "tdc_deg",
        "edge_deg": "the cam's edge_deg",
    }
    claims = [words[c] for c in list_claims(diagnosis.job, cylinders[0])]
    if not claims:
        return ""
    which = f"these are {names}" if several else f"it is {names}"
    return (
        f"That {which} comes from the job card alone ({join_words(claims)}): no recorded signal "
        "could show an error there. Check it before a part is bought."
    )
