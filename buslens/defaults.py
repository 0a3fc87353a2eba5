"""Which expectations a capture is checked against when none are named."""

from collections.abc import Iterator
from pathlib import Path
from typing import Final

from buslens.errors import UsageError

EXPECTATIONS_NAME: Final = "steering_lock.toml"
"""The file name that is looked for."""
FOLDER_NAME: Final = "signal_defs"
"""The folder in which it usually lies."""


def find_expectations(capture: str | Path) -> Path:
    """Return the expectations file that goes with a capture.

    It is looked for beside the capture, in a folder ``signal_defs`` there or up to two folders above, and at
    last in the current folder and in its ``signal_defs``. For standard input (``-``) only the current
    folder counts.

    Raises UsageError if there is none.
    """
    for place in _places(capture):
        if place.is_file():
            return place
    raise UsageError(
        f"no expectations for '{capture}': there is no {EXPECTATIONS_NAME} beside it, nor in a folder "
        f"{FOLDER_NAME} beside its folder or here; name the file with --expectations FILE.toml; 'buslens start' drafts"
        " one from a healthy car's captures"
    )


def _places(capture: str | Path) -> Iterator[Path]:
    if str(capture) != "-":
        folder = Path(capture).parent
        yield folder / EXPECTATIONS_NAME
        yield folder / FOLDER_NAME / EXPECTATIONS_NAME
        # By its full name, so that a capture named without a folder has folders above it too.
        full = folder.resolve()
        for above in full.parents[:2]:
            yield _short(above / FOLDER_NAME / EXPECTATIONS_NAME)
    yield Path(EXPECTATIONS_NAME)
    yield Path(FOLDER_NAME) / EXPECTATIONS_NAME


def _short(path: Path) -> Path:
    """Name a path from the current folder where that is shorter to read."""
    try:
        return path.relative_to(Path.cwd())
    except (ValueError, OSError):
        return path


def demonstration_folder() -> Path:
    """Return the folder with the demonstration's definitions, expectations and causes, as it came with the program.

    Raises UsageError if the program has been installed without it.
    """
    package = Path(__file__).parent
    for folder in (package / FOLDER_NAME, package.parent / FOLDER_NAME):
        if (folder / EXPECTATIONS_NAME).is_file():
            return folder
    raise UsageError(f"this installation has no folder {FOLDER_NAME}; it is in the source archive")
