"""The one exception tree of the reading path.

Every message says what was expected, what came and what to do next, in words
fit to show a user. "Could not measure" is not an exception: it is a ``None``
in the result together with a reason.
"""

from __future__ import annotations


class RimlightError(Exception):
    """Base of every error the model raises on purpose."""


class PhotoError(RimlightError):
    """The bytes cannot be read as a photo."""


class NotAPhoto(PhotoError):
    """The bytes are no picture in a format that is read here."""


class PhotoTruncated(PhotoError):
    """The picture data ends early or is damaged."""


class PhotoTooLarge(PhotoError):
    """More bytes, pixels or scans than the limits allow."""


class PhotoTooSmall(PhotoError):
    """Too few pixels to see a rim in."""


class RecipeError(RimlightError):
    """Weights and recipe do not belong together, or a stored vector is of another recipe."""


class HintError(RimlightError):
    """A point or line the user gave does not lie in the photo or has the wrong form."""
