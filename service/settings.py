"""Where the gallery lives and the limits of the service; made per call, never at import."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

DEFAULT_PORT = 7446
MAX_PHOTO_BYTES = 30_000_000  # the public limit of a photo, the same as the reading step keeps
MAX_FORM_BYTES = 512 * 1024  # labels and a drawn line beside the photo in one multipart body
MAX_JSON_BYTES = 64 * 1024
MAX_ARCHIVE_BYTES = 16_000_000_000  # somebody's whole gallery, from the owner alone
PAGE_SIZE = 48  # gallery items a page: fills two, three or four columns evenly


@dataclass(frozen=True)
class Settings:
    """One data folder and how to start it.

    ``empty`` only matters for a folder that is new: it then starts without the demo gallery.
    """

    data_folder: Path
    empty: bool = False


def find_settings(data: str | None, empty: bool, environment: Mapping[str, str]) -> Settings:
    """Pick the data folder: the argument, else ``RIMLIGHT_DATA``, else the platform's per-user folder."""
    chosen = data or environment.get("RIMLIGHT_DATA")
    if chosen:
        return Settings(Path(chosen).expanduser().absolute(), empty)
    import platformdirs

    return Settings(Path(platformdirs.user_data_dir("rimlight", appauthor=False)), empty)
