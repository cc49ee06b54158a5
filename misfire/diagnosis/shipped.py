"""The model that comes with the program."""

from functools import lru_cache
from pathlib import Path

from misfire.classify.bundle import MANIFEST, load_bundle
from misfire.classify.model import Model
from misfire.resources import find_resource

NAME = "default"


def find_shipped() -> Path:
    """Give the folder of the shipped bundle, whether it is there or not.

    Returns
    -------
    folder : Path
    """
    return find_resource("models") / NAME


@lru_cache(maxsize=1)
def load_shipped() -> Model | None:
    """Load the shipped model once.

    Returns
    -------
    model : Model or None
        None where the program was installed without one; the physics scores judge then.

    Raises
    ------
    ModelError
        If there is one and it does not fit.
    """
    folder = find_shipped()
    return load_bundle(folder) if (folder / MANIFEST).is_file() else None
