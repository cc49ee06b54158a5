"""Numbers as people read them: rounded, and not as powers of ten."""

from __future__ import annotations

import math

LEAST, MOST = 1e-9, 1e15  # beyond these a power of ten is read more easily


def spell(value: float, digits: int = 6) -> str:
    """Write a number with so many significant digits, and not as a power of ten.

    Parameters
    ----------
    value : float
    digits : int [> 0]

    Returns
    -------
    text : str
        Zeros at the end behind the point are left out.

    Examples
    --------
    >>> spell(1123.4, 2), spell(1e6), spell(0.00012345, 2), spell(20.0), spell(-0.5, 3)
    ('1100', '1000000', '0.00012', '20', '-0.5')
    """
    if value == 0:
        return "0"
    if not LEAST <= abs(value) < MOST:
        return f"{value:.{digits}g}"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    text = f"{round(value, places):.{max(places, 0)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
