"""What the service refuses, in sentences a person can act on; the edges translate, never think."""

from __future__ import annotations

from model.errors import PhotoError, RimlightError


class ServiceError(RimlightError):
    """Base of every refusal that is not about the photo itself."""


class NotFound(ServiceError):
    """An id that is not in this store."""


class NothingToUndo(ServiceError):
    """No change, or not this change, can be undone now."""


class KeyReused(ServiceError):
    """One Idempotency-Key came with two different bodies."""


class LabelError(ServiceError):
    """A label has an unknown or unusable value."""


class StoreError(ServiceError):
    """The data folder cannot be used."""


class StoreDamaged(StoreError):
    """The database itself cannot be read in full."""


class StoreBusy(ServiceError):
    """Another program holds the gallery just now; try again shortly."""


class NotAllowed(ServiceError):
    """This caller may not do this."""


class TooMany(ServiceError):
    """This caller has used up its share for now; ``wait_s`` seconds help."""

    def __init__(self, message: str, wait_s: int) -> None:
        super().__init__(message)
        self.wait_s = wait_s


class Busy(ServiceError):
    """Too many photos wait already; ``wait_s`` seconds from now there should be room."""

    def __init__(self, message: str, wait_s: int = 3) -> None:
        super().__init__(message)
        self.wait_s = wait_s


class ReaderStopped(PhotoError):
    """The worker died, ran out of time or memory, or failed on this photo."""


class RecordError(ServiceError):
    """A register record cannot be as asked; ``faults`` says why, one sentence for each field."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("; ".join(faults))
        self.faults = tuple(faults)


class RecordConflict(ServiceError):
    """The register is not in the state that the request expects; look again and decide."""
