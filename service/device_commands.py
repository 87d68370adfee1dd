"""``rimlight devices``: list the paired devices, pair another, let one in no more."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.devices import Devices
    from service.settings import Settings

DONE, FAILED = 0, 1


def add_devices_parser(commands: Any, shared: argparse.ArgumentParser) -> None:
    """Teach the command line ``devices`` with what can be done to them."""
    devices = commands.add_parser("devices", parents=[shared], help="paired devices: list, pair, revoke")
    devices.add_argument("--json", action="store_true", help="the list as JSON")
    what = devices.add_subparsers(dest="what", metavar="WHAT")
    pair = what.add_parser("pair", parents=[shared], help="show a new one-time code")
    pair.add_argument("--owner", action="store_true", help="the device gets the owner's rights")
    revoke = what.add_parser("revoke", parents=[shared], help="let a device in no more")
    revoke.add_argument("name", metavar="NAME", help="its name or id")


def devices(given: argparse.Namespace, settings: Settings) -> int:
    """Do what is asked; by default list."""
    from service.devices import Devices
    from service.store import open_store

    store = open_store(settings.data_folder)
    try:
        paired = Devices(store)
        if given.what == "pair":
            return _pair(paired, settings, given.owner)
        if given.what == "revoke":
            print(f"{paired.revoke(given.name)['name']} is let in no more.")
            return DONE
        return _list(paired, given.json)
    finally:
        store.close()


def _list(paired: Devices, as_json: bool) -> int:
    listed = paired.list_devices()
    if as_json:
        print(json.dumps(listed))
        return DONE
    if not listed:
        print("No device is paired. `rimlight serve --lan` shows a code to pair one.")
    for device in listed:
        rights = "  owner" if device["is_owner"] else ""
        seen = f", last seen {device['seen_at']}" if device["seen_at"] else ""
        print(f"{device['name']}{rights}  (paired {device['paired_at']}{seen})")
    return DONE


def _pair(paired: Devices, settings: Settings, is_owner: bool) -> int:
    from service.certificate import find_made
    from service.folder_lock import read_serving
    from service.serve import show_code

    serving = read_serving(settings.data_folder)
    if serving is None or not serving.get("lan"):
        print("rimlight: the network is not served: start `rimlight serve --lan` first.", file=sys.stderr)
        return FAILED
    address = str(serving["lan"])
    made = find_made(settings.data_folder) if address.startswith("https:") else None
    show_code(address, paired.make_code(is_owner), made)
    return DONE
