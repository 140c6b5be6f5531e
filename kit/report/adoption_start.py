"""Start to adopt: a folder with a copy of the donor's study, a description to edit, and a few prints to make."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd

from kit.errors import DesignError, TransferError
from kit.report.adoption import DONOR, FEWEST, MOST, ROUND, USUAL, Adoption, adopt
from kit.report.plan_confirm import Round, write_round
from kit.study.folder import RUNS_FILE, STUDY_FILE, write_whole
from kit.study.intake import take_in
from kit.study.read import study_problems
from kit.study.tables import table_text
from kit.window.place_prints import place_prints

COPIED = ("study", "runs", "readings", "gauge", "references")
"""Files of the donor's study that the adopter keeps a copy of."""


def start_adoption(
    donor: str | Path, folder: str | Path, prints: int = USUAL
) -> tuple[Adoption, Round]:
    """Make an adopter's study folder: a copy of the donor's study, a description to edit, and prints to make.

    Parameters
    ----------
    donor : str or Path
        The donor's study folder.
    folder : str or Path
        New or empty.
    prints : int
        How many prints to place, 3 to 6.

    Returns
    -------
    Adoption, Round

    Raises
    ------
    DesignError
        If the folder holds something already, or the number of prints is not 3 to 6. Nothing is written then.
    StudyError, TransferError
        If the donor's study has problems or no answer; the folder is taken away again.
    """
    donor, folder = Path(donor), Path(folder)
    if not FEWEST <= prints <= MOST:
        raise DesignError(f"prints: found {prints}, allowed are {FEWEST} to {MOST}.")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise DesignError(
            f"{folder.name} holds something already; name a new folder. Nothing was changed."
        )
    take_in(donor)
    fresh = not folder.exists()
    _copy(donor, folder)
    try:
        adoption = adopt(folder)
        return adoption, plan_adoption(folder, adoption, prints)
    except BaseException:
        _take_away(folder, whole=fresh)
        raise


def _copy(donor: Path, folder: Path) -> None:
    (folder / DONOR).mkdir(parents=True)
    for path in sorted(donor.iterdir()):
        if path.is_file() and path.stem in COPIED and path.suffix in (".toml", ".csv", ".xlsx"):
            write_whole(folder / DONOR / path.name, path.read_bytes())
    if (donor / "curves").is_dir():
        (folder / DONOR / "curves").mkdir()
        for path in sorted((donor / "curves").iterdir()):
            if path.is_file():
                write_whole(folder / DONOR / "curves" / path.name, path.read_bytes())
    write_whole(
        folder / STUDY_FILE, adopter_text((donor / STUDY_FILE).read_text(encoding="utf-8-sig"))
    )


def _take_away(folder: Path, *, whole: bool) -> None:
    import shutil

    for path in list(folder.iterdir()):
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    if whole:
        folder.rmdir()


def adopter_text(text: str) -> str:
    """Turn a donor's description into the adopter's: another title, a donor, a printer to be described.

    Parameters
    ----------
    text : str
        The donor's ``study.toml``.

    Returns
    -------
    str
        Another ``study.toml``; the printer's own numbers stay those of the donor until they are edited.

    Raises
    ------
    TransferError
        If the text cannot be changed this way.
    """
    study, _ = study_problems(text)
    title = "" if study is None else study.title.replace("\\", " ").replace('"', "'")
    changed = re.sub(r"(?ms)^\[adopt\].*?(?=^\[|\Z)", "", text)
    changed = re.sub(
        r"(?m)^title\s*=.*$", f'title = "{title}, on another printer"', changed, count=1
    )
    changed = re.sub(
        r"(?ms)(^\[printer\]\s*?\n(?:(?!^\[)[^\n]*\n)*?)name\s*=[^\n]*\n",
        r'\1name = "new printer"           # yours; go through the lines below as well' + "\n",
        changed,
        count=1,
    )
    changed = changed.rstrip("\n") + _ADOPT
    found, problems = study_problems(changed)
    if found is None or found.adopt.donor != DONOR:
        why = f": {problems[0]}" if problems else ""
        raise TransferError(
            f'the donor\'s study.toml could not be turned into yours{why}; copy it by hand and add [adopt] with donor = "{DONOR}".'
        )
    return changed


_ADOPT = f"""

[adopt]
donor = "{DONOR}"                # the donor's study folder, seen from this one
# thermometer = 4.0             # degC that this nozzle is hotter than the donor's at the same indication, if somebody measured it
# thermometer_sd = 3.0          # degC, standard uncertainty of that check
bias = 2.0                      # SD of other differences between printers, in SDs of a print
"""


def plan_adoption(folder: Path, adoption: Adoption, prints: int) -> Round:
    """Place the prints and write them with their sheets."""
    study = adoption.study
    surfaces = dict(adoption.before.printers.surfaces)
    settings, _ = place_prints(surfaces, study, prints, first=adoption.settings)
    data = adoption.data
    if not (folder / RUNS_FILE).exists():
        columns = ["run", "round", "block", "print_order", *study.coding.names, "status", "note"]
        write_whole(folder / RUNS_FILE, table_text(pd.DataFrame(columns=columns)))
    return write_round(folder, data, ROUND, pd.DataFrame(settings))
