"""Where the files that travel with the package stand: models and the demo recording."""

from pathlib import Path
from typing import Literal

from misfire.errors import MisfireError


def find_resource(kind: Literal["models", "data_demo"]) -> Path:
    """Find a folder of files that travel with the package.

    Parameters
    ----------
    kind : str
        "models" or "data_demo".

    Returns
    -------
    folder : Path
        Inside the installed package, or beside it in a checkout.

    Raises
    ------
    MisfireError
        If neither place has the folder: the installation is incomplete.

    Examples
    --------
    >>> find_resource("models").is_dir()
    True
    """
    package = Path(__file__).resolve().parent
    for folder in (package / f"_{kind}", package.parent / kind):
        if folder.is_dir():
            return folder
    raise MisfireError(
        f"the folder {kind!r} of this installation is missing (looked in {package} and beside "
        "it); install the package again from its checkout with `pip install .`"
    )
