"""Checks a whole data folder, rows and files against each other, and mends what is safe to mend."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import sqlalchemy as sa

from service import tables
from service.check_files import check_derived, check_leftovers, check_photos, check_strips
from service.check_register import check_register
from service.check_rows import check_database, check_log, check_readings, check_shape
from service.errors import ServiceError, StoreDamaged, StoreError
from service.findings import Finding, Progress, Report
from service.salvage import salvage_database
from service.store import DATABASE_NAME, Store, now, open_store

DAMAGED = "database damaged"


def check_folder(folder: Path, repair: bool, progress: Progress) -> Report:
    """Check everything; with ``repair`` set aside, put back and make again what is safe.

    Raises
    ------
    StoreError
        There is no gallery in the folder, or the folder cannot be used at all.
    """
    if not (folder / DATABASE_NAME).is_file():
        raise StoreError(f"There is no gallery in {folder}: name its folder with --data.")
    report = _look(folder, progress)
    damaged = next((f for f in report.findings if f.kind == DAMAGED), None)
    if not repair:
        return report
    if damaged is not None:
        first = _mend(report, [damaged])
        if not report.mended:
            return first
        mended, report = report.mended, _look(folder, progress)  # what the new database still lacks
        report.mended += mended
    return _mend(report, list(report.findings))


def _look(folder: Path, progress: Progress) -> Report:
    report = Report()
    with _noting_damage(report, folder):
        store = open_store(folder)
        try:
            _look_into(store, report, progress)
        finally:
            store.close()
    return report


def _look_into(store: Store, report: Report, progress: Progress) -> None:
    """Each check for itself, so that a damaged page hides no more than it must."""
    steps: list[Callable[[], None]] = [
        lambda: report.findings.extend(check_database(store)),
        lambda: report.findings.extend(check_shape(store)),
        lambda: _count(report, "photos", *check_photos(store, progress)),
        lambda: _count(report, "strips", *check_strips(store, progress)),
        lambda: _add(report, *check_readings(store, progress)),
        lambda: _add(report, *check_log(store)),
        lambda: _add(report, *check_register(store, progress)),
        lambda: report.findings.extend(check_leftovers(store)),
        lambda: report.findings.extend(check_derived(store)),
        lambda: report.notes.extend(note_clock(store)),
        lambda: report.notes.extend(note_doubts(store) if report.is_well else ()),
    ]
    for step in steps:
        with _noting_damage(report, store.folder):
            step()


@contextmanager
def _noting_damage(report: Report, folder: Path) -> Iterator[None]:
    try:
        yield
    except StoreDamaged as error:
        if not any(f.kind == DAMAGED and f.mend is not None for f in report.findings):
            mend = partial(salvage_database, folder)
            report.findings.append(Finding(DAMAGED, "database", str(error), mend))


def _count(report: Report, what: str, count: int, found: list[Finding]) -> None:
    _add(report, {what: count}, found)


def _add(report: Report, counts: dict[str, int], found: list[Finding]) -> None:
    report.counts |= counts
    report.findings += found


def _mend(report: Report, findings: list[Finding]) -> Report:
    """Mend them one by one; what cannot be mended stays a finding."""
    for finding in findings:
        if finding.mend is None:
            continue
        try:
            done = finding.mend()
        except ServiceError as error:
            report.notes.append(f"{finding.where} could not be mended: {error}")
            continue
        report.findings.remove(finding)
        report.mended.append((finding, done))
    return report


def note_doubts(store: Store) -> list[str]:
    """Gallery photos that look like another motif: for a person to look at, so no finding."""
    from service.doubts import find_doubts

    found = find_doubts(store)
    if not found["doubts"]:
        return []
    named = ", ".join(doubt["item"]["id"] for doubt in found["doubts"][:3])
    return [
        f"{len(found['doubts'])} of {found['judged']} gallery photos look more like another motif than their "
        f"own ({named}): `rimlight gallery --doubts` names them all. Nothing is wrong with the folder."
    ]


def note_clock(store: Store) -> list[str]:
    """Whether the clock stands before what was stored last: nothing is lost by it, but times mislead."""
    with store.looking() as tx:
        latest = tx.execute(sa.select(sa.func.max(tables.change.c.at))).scalar()
    if latest is None or latest <= now():
        return []
    return [
        f"this machine's clock says {now()[:16]} UTC, the latest change was made at {latest[:16]}: the clock "
        "was set back, or was ahead then. Nothing is lost; new photos may be listed before older ones."
    ]
