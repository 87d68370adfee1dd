"""Who is asking, as far as the service cares: this machine, or which paired device, and whether the owner.

The guard sets it once a request. Routes find it in the ASGI scope, use cases below them by
``current_caller``: it travels with the request into its thread. Outside a request it is the owner at the
command line.
"""

from __future__ import annotations

from contextvars import ContextVar
from dataclasses import dataclass

from starlette.types import Scope

from service.errors import NotAllowed

DEVICE_KEY, OWNER_KEY = "rimlight.device", "rimlight.owner"


@dataclass(frozen=True)
class Caller:
    """``device``: id of a paired device, None on this machine itself; ``name``: what its owner calls it."""

    device: str | None = None
    name: str | None = None
    is_owner: bool = True


THIS_MACHINE = Caller()
_caller: ContextVar[Caller] = ContextVar("rimlight_caller", default=THIS_MACHINE)


def current_caller() -> Caller:
    """Whoever the work in hand is done for."""
    return _caller.get()


def set_caller(scope: Scope, caller: Caller) -> None:
    """Note the caller of a request, in its scope and for everything it goes on to call."""
    scope[DEVICE_KEY], scope[OWNER_KEY] = caller.device, caller.is_owner
    _caller.set(caller)


def require_owner() -> None:
    """Let nobody but the owner go on.

    Raises
    ------
    NotAllowed
        The caller is a paired device without the owner's rights.
    """
    if not current_caller().is_owner:
        raise NotAllowed("Only the owner may do this: on the machine itself, or with an owner's device.")
