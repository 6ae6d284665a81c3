"""Folders that records go to: made when missing, tried before a fire or an hour's work depends on them."""

from __future__ import annotations

import os
from pathlib import Path

from coalminder.errors import UserError

RECORDS = "journal.directory"


def made(folder: Path, what: str = RECORDS) -> None:
    """Make `folder` when it is missing. UserError, naming `what`, when its name belongs to a file.

    A disk that takes nothing is no error: the fire is tended without a record, and an alarm tells of it.
    """
    _nearest(folder, what)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        pass


def tried(folder: Path, what: str = RECORDS) -> None:
    """UserError when this user could not make files in `folder`, or make it. Changes nothing."""
    there = _nearest(folder, what)
    if not os.access(there, os.W_OK | os.X_OK):
        raise UserError(
            f"{what} {folder}: this user cannot write in {there}; choose another, or change its owner"
        )


def write_anew(path: Path, text: str) -> None:
    """Write a small file of this folder's owner, also in the place of one that root made there by hand.

    The old one is there until the new one is whole, so that a kill or a power cut leaves one of them.
    """
    beside = path.with_name(f"{path.name}.new")
    try:
        beside.unlink(missing_ok=True)
        beside.write_text(text, "utf-8")
        beside.replace(path)
    except OSError:  # a full disk has room for it where the old one was
        beside.unlink(missing_ok=True)
        path.unlink(missing_ok=True)
        path.write_text(text, "utf-8")


def _nearest(folder: Path, what: str) -> Path:
    """The innermost part of `folder` that is there already."""
    there = next(path for path in (folder, *folder.absolute().parents) if os.path.exists(path))
    if not os.path.isdir(there):
        raise UserError(f"{what} {folder}: {there} is a file; name a folder")
    return there


def ready(folder: Path, what: str) -> None:
    """Make `folder` when it is missing. UserError when it cannot take files."""
    made(folder, what)
    tried(folder, what)
    if not os.path.isdir(folder):
        raise UserError(f"{what} {folder}: cannot be made; choose another place")
