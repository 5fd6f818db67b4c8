"""Where the shipped data lies, in a checkout and in an installed wheel."""

from pathlib import Path


def data_folder() -> Path:
    """Folder of vehicles, examples and base map.

    Returns
    -------
    Path
        `planner/_data` when installed from a wheel, else `data` beside the packages.
    """
    here = Path(__file__).resolve().parent
    packed = here / "_data"
    return packed if packed.is_dir() else here.parent / "data"
