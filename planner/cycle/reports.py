"""Files that people read later: each is written whole or not at all, whatever stops the command."""

from __future__ import annotations

import glob
import os
import time
from pathlib import Path

from planner.lab.disk import sync_folder
from planner.lab.errors import UserError, printable

OLD_S = 3600.0
"""Age at which what a stopped command left is cleared away; younger files may be in use."""


def write_whole(path: Path, text: str, *, exclusive: bool = False) -> Path:
    """Write a file beside its place, sync it, and put it in place in one step.

    Parameters
    ----------
    path : Path
        Its folder is made where missing.
    text : str
    exclusive : bool, default False
        Never replace a file that is there.

    Raises
    ------
    FileExistsError
        Where `exclusive` and the file is there.
    UserError
        When the disk or the folder refuses.
    """
    folder, aside = path.parent, path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        if not folder.is_dir():
            folder.mkdir(exist_ok=True)
            sync_folder(folder.parent)
        for left in folder.glob(f".{glob.escape(path.name)}.*.part"):
            if time.time() - left.stat().st_mtime > OLD_S:
                left.unlink(missing_ok=True)
        try:
            with open(aside, "w", encoding="utf-8", newline="") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            if exclusive and os.path.lexists(path):
                raise FileExistsError(path.name)
            os.replace(aside, path)
        finally:
            aside.unlink(missing_ok=True)
        sync_folder(folder)
    except FileExistsError:
        raise
    except OSError as error:
        raise UserError(
            f"cannot be written: {printable(error.strerror or str(error))}", where=f"{folder.name}/{path.name}",
            fix="free space or permissions there, then run it again",
        ) from None
    return path


def write_report(directory: Path, name: str, text: str) -> Path:
    """Write a file of reports/ whole."""
    return write_whole(Path(directory) / "reports" / name, text)
