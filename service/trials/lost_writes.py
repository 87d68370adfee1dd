"""A disk that forgets: after a power cut only what was synced is certain, anything else may be there or not.

Stricter than most file systems: a new name is certain only once its folder was synced (not its file), writes
that were not synced survive one by one, in any choice, and may be torn at a sector.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from pathlib import Path

from service.trials.system_calls import Op

SECTOR = 512
# The index of the write-ahead log and the locks live in memory only; SQLite makes the index again.
FORGOTTEN = ("-shm", ".lock")


@dataclass
class Inode:
    """A file: what is certain, and what was asked since. ``started``: how much a sync under way covers."""

    certain: bytearray = field(default_factory=bytearray)
    since: list[Op] = field(default_factory=list)
    started: int = 0


@dataclass
class Naming:
    """A change of names not yet certain: ``gone`` disappears, ``new`` names ``inode`` (None: a folder)."""

    new: str | None
    gone: str | None
    inode: Inode | None


class ForgetfulDisk:
    """Follows the steps of a trace; ``cut`` gives one state that a power cut now could leave behind."""

    def __init__(self) -> None:
        self._now: dict[str, Inode | None] = {}
        self._certain: dict[str, Inode | None] = {}
        self._namings: list[Naming] = []
        self._started: dict[str, int] = {}

    def follow(self, op: Op) -> None:
        """Take one step."""
        if op.path.endswith(FORGOTTEN) or op.kind == "answer":
            return
        if op.kind in ("create", "mkdir"):
            if op.path not in self._now:
                self._name(op.path, None, Inode() if op.kind == "create" else None)
        elif op.kind == "rename":
            self._name(op.to, op.path, self._now.get(op.path))
        elif op.kind == "unlink":
            self._name(None, op.path, None)
        elif op.kind in ("sync", "sync start"):
            self._sync(op)
        elif (inode := self._now.get(op.path)) is not None:
            inode.since.append(op)

    def _name(self, new: str | None, gone: str | None, inode: Inode | None) -> None:
        if gone is not None:
            self._now.pop(gone, None)
        if new is not None:
            self._now[new] = inode
        self._namings.append(Naming(new, gone, inode))

    def _sync(self, op: Op) -> None:
        inode = self._now.get(op.path)
        if inode is None:  # a folder: its names become certain
            if op.kind == "sync start":
                self._started[op.path] = len(self._namings)
                return
            covered = self._namings[: self._started.get(op.path, 0)]
            for naming in covered:
                if _is_in(naming.new, op.path) or (naming.new is None and _is_in(naming.gone, op.path)):
                    _apply(self._certain, naming)
                    self._namings.remove(naming)
            self._started = {}  # positions have moved; a sync under way elsewhere then covers nothing
        elif op.kind == "sync start":
            inode.started = len(inode.since)
        else:
            for each in inode.since[: inode.started]:
                _write(inode.certain, each)
            del inode.since[: inode.started]
            inode.started = 0

    def cut(self, chance: random.Random, keep_share: float) -> tuple[dict[str, bytes], list[str]]:
        """Files with their content, and folders, after a cut; each open step survives with that chance."""
        names = dict(self._certain)
        for naming in self._namings:
            if chance.random() < keep_share:
                _apply(names, naming)
        content: dict[int, bytes] = {}
        for inode in names.values():
            if inode is not None and id(inode) not in content:
                content[id(inode)] = _survive(inode, chance, keep_share)
        files = {path: content[id(inode)] for path, inode in names.items() if inode is not None}
        return files, sorted(path for path, inode in names.items() if inode is None)


def _survive(inode: Inode, chance: random.Random, keep_share: float) -> bytes:
    held = bytearray(inode.certain)
    for op in inode.since:
        if chance.random() < keep_share:
            sectors = len(op.data) // SECTOR
            torn = op.kind == "write" and sectors > 1 and 0 < keep_share < 1 and chance.random() < 0.3
            data = op.data[: chance.randrange(1, sectors) * SECTOR] if torn else op.data
            _write(held, Op(op.kind, op.path, at=op.at, data=data))
    return bytes(held)


def _write(held: bytearray, op: Op) -> None:
    if op.kind == "truncate":
        del held[op.at :]
        held.extend(bytes(op.at - len(held)))
        return
    held.extend(bytes(max(0, op.at - len(held))))
    held[op.at : op.at + len(op.data)] = op.data


def _apply(names: dict[str, Inode | None], naming: Naming) -> None:
    if naming.gone is not None:
        names.pop(naming.gone, None)
    if naming.new is not None:
        names[naming.new] = naming.inode


def _is_in(path: str | None, folder: str) -> bool:
    return path is not None and path.rpartition("/")[0] == folder


def lay_down(files: dict[str, bytes], folders: list[str], folder: Path, target: Path) -> None:
    """Put a state on a real disk, from ``folder`` to ``target``; a file whose folder is lost is lost."""
    target.mkdir(parents=True)
    here = {str(folder), *folders}
    for path in sorted(folders):
        if path.rpartition("/")[0] in here and path.startswith(f"{folder}/"):
            (target / Path(path).relative_to(folder)).mkdir(parents=True, exist_ok=True)
    for path, data in files.items():
        place = target / Path(path).relative_to(folder)
        if place.parent.is_dir():
            place.write_bytes(data)
