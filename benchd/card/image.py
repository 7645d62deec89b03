"""The shipped firmware of the card, from the package or, in a checkout, from beside it."""

from __future__ import annotations

from pathlib import Path

from benchd.errors import ExternalError

SUFFIXES = (".uf2", ".bin")


def image_dir() -> Path:
    """Return where the images are: `card/shipped/` in an installed package, `firmware-notes/card/` in a checkout.

    Raises ExternalError where neither has them.
    """
    package = Path(__file__).resolve().parents[1]
    for place in (package / "card/shipped", package.parent / "firmware-notes/card"):
        if all((place / f"card{suffix}").is_file() for suffix in SUFFIXES):
            return place
    raise ExternalError(f"the card's firmware is missing beside {package}: install benchd again")


def image(suffix: str) -> bytes:
    """Return the firmware as a file with one of SUFFIXES has it: UF2 blocks, or flash from its first byte.

    Raises ExternalError where it cannot be read.
    """
    path = image_dir() / f"card{suffix}"
    try:
        return path.read_bytes()
    except OSError as error:
        raise ExternalError(f"{path}: cannot be read: {error.strerror}") from None
