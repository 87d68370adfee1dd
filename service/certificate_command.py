"""``rimlight certificate``: make this machine's own certificate, look at it, take it away."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.certificate import MadeCertificate
    from service.settings import Settings

DONE = 0


def add_certificate_parser(commands: Any, shared: argparse.ArgumentParser) -> None:
    """Teach the command line ``certificate``."""
    certificate = commands.add_parser(
        "certificate",
        parents=[shared],
        help="make a certificate, so that phones talk to this machine encrypted",
        description="Makes a certificate for this machine's names and addresses in its networks. `rimlight "
        "serve --lan` finds it by itself: phones then use https, one port up, and once they trust it the "
        "page opens without this machine too. Photos that wait in a phone's browser belong to the address "
        "they were taken at: let them go up before you make one.",
    )
    certificate.add_argument(
        "--name", action="append", default=[], metavar="NAME", help="another name or address of this machine"
    )
    other = certificate.add_mutually_exclusive_group()
    other.add_argument("--show", action="store_true", help="only say what there is")
    other.add_argument("--remove", action="store_true", help="take it away: phones use plain http again")


def certificate(given: argparse.Namespace, settings: Settings) -> int:
    """Do what is asked; by default make one anew."""
    from service.certificate import find_made, remove_made

    if given.remove:
        gone = remove_made(settings.data_folder)
        print("The certificate is gone. Remove it from the phones too." if gone else "There is none.")
        return DONE
    made = find_made(settings.data_folder) if given.show else _make(settings, given.name)
    if made is None:
        print("There is none: `rimlight certificate` makes one.")
        return DONE
    print("\n".join(describe_made(made)))
    return DONE


def _make(settings: Settings, names: list[str]) -> MadeCertificate:
    from datetime import UTC, datetime

    from service.certificate import list_own_names, make_made
    from service.serve_ways import find_own_address

    wanted = list(dict.fromkeys([*list_own_names(find_own_address()), *(name.lower() for name in names)]))
    return make_made(settings.data_folder, wanted, datetime.now(UTC))


def describe_made(made: MadeCertificate) -> list[str]:
    """What it is and what to do with it, in lines."""
    return [
        f"The certificate lies in {made.folder} and ends on {made.ends_at[:10]}.",
        f"It holds for {', '.join(made.names)}.",
        "It is used from the next start of `rimlight serve --lan` on.",
        "A phone's browser warns at first: this machine made it itself, so nobody vouches for it.",
        f"Behind the warning the browser shows the fingerprint (SHA-256) {made.fingerprint}",
        "Go on if it is the same. The page /certificate then says how the phone trusts it for good;",
        f"what it is asked to trust there has the fingerprint {made.authority_fingerprint}",
    ]
