"""Limits of physics and of formats by which more than one stage judges; each stands once."""

CRANKING_RPM = 400.0
"""Below it the starter turns the engine: none idles as slowly (common practice)."""

MOST_RPM = 20000.0
"""No petrol engine with coil ignition turns faster: the fastest of the race track reached it."""

FUEL_CUT_Z = -6.0
"""Spreads of torque by which all cylinders alike give less than usual: the fuel is cut."""

SURELY_CUT_Z = -8.0
"""The same beyond doubt: what a single firing lacks there says nothing of it."""

ODD_STEP_A = 0.15
"""More than the others' at switch-on: the coil works into a load."""

MAX_POSITIONS = 720
"""Tooth positions of a crank wheel in one turn; finer wheels are encoders."""

MOST_SHRUNK = 1100
"""Times; deflate makes nothing smaller than 1/1032 (RFC 1951, from its longest match)."""

FAULTY = 0.5
"""Probability from which a cylinder is said to have a fault."""

DOUBTFUL = 0.3
"""Probability above which a cylinder is not called sound."""
