"""Why this module exists: nobody should have to invent the first file.

`write_campaign` makes a folder with a commented, invented campaign and an empty
results sheet; `result_files` says which files of a folder are results.
"""

from __future__ import annotations

import os
from importlib import resources
from pathlib import Path

from planner.lab.campaign import CAMPAIGN_FILE
from planner.lab.errors import UserError, printable
from planner.lab.specimen import COLUMNS

RESULTS_FOLDER = "results"
TEMPLATE_FILE = "TEMPLATE.csv"
#: As much of it is looked at, in bytes.
MAX_TEMPLATE = 100_000
#: Kinds of file that are read.
SUFFIXES = (".csv", ".xlsx")


def write_campaign(directory: str | Path) -> list[Path]:
    """Make a campaign folder with a commented definition and an empty results sheet.

    Parameters
    ----------
    directory : path
        Made where missing; an existing campaign is never overwritten.

    Returns
    -------
    list of Path
        The files written: `campaign.toml` and `results/TEMPLATE.csv`.

    Raises
    ------
    UserError
        When a campaign is already there, or the folder cannot be written.
    """
    directory = Path(directory)
    definition, sheet = directory / CAMPAIGN_FILE, directory / RESULTS_FOLDER / TEMPLATE_FILE
    header = ",".join(column.header for column in COLUMNS) + "\n"
    try:
        if os.path.lexists(definition):
            raise UserError(
                f"there is already a {CAMPAIGN_FILE} in {printable(str(directory))}",
                fix=f"`trialwright check {printable(str(directory))}` reads it; "
                "choose another folder for a new campaign",
            )
        sheet.parent.mkdir(parents=True, exist_ok=True)
        if not os.path.lexists(sheet):
            _write_new(sheet, header)
        _write_new(definition, campaign_text())
    except (OSError, ValueError) as error:
        raise UserError(
            f"the campaign folder cannot be written: "
            f"{printable(str(getattr(error, 'strerror', None) or error))}",
            where=printable(str(directory), limit=200), fix="choose a folder that you may write",
        ) from None  # fmt: skip
    return [definition, sheet]


def campaign_text() -> str:
    """Return the text of the commented campaign that `start` writes."""
    return resources.files("planner.lab").joinpath("campaign_template.toml").read_text("utf-8")


def result_files(directory: str | Path) -> list[Path]:
    """List the result files of a campaign folder, sorted by name.

    Parameters
    ----------
    directory : path
        Campaign folder.

    Returns
    -------
    list of Path
        `.csv` and `.xlsx` files of `results/`; the empty template, hidden files and a
        spreadsheet's temporary files (`~$...`) are left out.

    Raises
    ------
    UserError
        When there is no `results/` folder.
    """
    return [path for path in _entries(directory) if path.suffix.lower() in SUFFIXES]


def unread_files(directory: str | Path) -> list[Path]:
    """List what else lies in `results/` and is not read, so that it can be named."""
    return [path for path in _entries(directory) if path.suffix.lower() not in SUFFIXES]


def _entries(directory: str | Path) -> list[Path]:
    """Entries of `results/` that a person put there."""
    folder = Path(directory) / RESULTS_FOLDER
    try:
        names = sorted(os.listdir(folder))
    except OSError as error:
        raise UserError(
            f"the folder {RESULTS_FOLDER}/ cannot be read: {printable(error.strerror or '')}",
            where=printable(str(directory), limit=200),
            fix=f"make an empty folder {RESULTS_FOLDER} there; it may stay empty",
        ) from None  # fmt: skip
    return [
        folder / name
        for name in names
        if not name.startswith((".", "~$")) and name.lower() != TEMPLATE_FILE.lower()
    ]


def filled_template(directory: str | Path) -> list[str]:
    """Say that rows were typed into the empty template, which is never read; nothing where it is as it was made."""
    path = Path(directory) / RESULTS_FOLDER / TEMPLATE_FILE
    try:
        with path.open("rb") as file:
            below = file.read(MAX_TEMPLATE).partition(b"\n")[2]
    except OSError:
        return []
    if not below.strip(b",; \t\r\n"):
        return []
    return [f"{TEMPLATE_FILE}: not read, and rows stand in it; save it under a name of its own, such as {RESULTS_FOLDER}/week1.csv"]


def _write_new(path: Path, text: str) -> None:
    """Write a new file aside, sync it, and put it in place in one step."""
    aside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with aside.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(aside, path)
    finally:
        aside.unlink(missing_ok=True)
