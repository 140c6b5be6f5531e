"""What a plan can be given beside its sheets: command text to copy, and labels for the specimens."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import numpy as np

from kit.bench.snippets import plan_snippets
from kit.bench.specimen_labels import label_sheet, label_table
from kit.errors import DesignError
from kit.report.plan import SHEETS
from kit.study.data import StudyData
from kit.study.folder import write_whole
from kit.study.intake import take_in
from kit.study.tables import table_text

COMMANDS_FILE, LABELS_FILE, KEY_FILE = "commands.txt", "labels.html", "labels.csv"
SEED_STEP = 31


def write_commands(folder: str | Path, sliced_speed: float | None = None) -> Path:
    """Write ``sheets/commands.txt``: for each planned run the lines to copy; nothing is sent anywhere.

    Parameters
    ----------
    folder : str or Path
        A study folder with a plan.
    sliced_speed : float, optional
        Speed that the file was prepared with.

    Returns
    -------
    Path

    Raises
    ------
    DesignError
        If there is no plan.
    SettingLimitError
        If a setting is beyond a hard stop; nothing is written then.
    """
    data = _planned(Path(folder))
    text = plan_snippets(data.study, data.runs, sliced_speed=sliced_speed)
    return _written(Path(folder), COMMANDS_FILE, text)


def write_labels(folder: str | Path) -> tuple[Path, bool]:
    """Write ``sheets/labels.html`` and its key, ``labels.csv``; the same labels each time, from the seed.

    Returns
    -------
    path : Path
        Of the sheet.
    coded : bool
        Whether 2-D codes are on it; without the extra ``labels`` there are none.

    Raises
    ------
    DesignError
        If there is no plan.
    """
    folder = Path(folder)
    data = _planned(folder)
    table = label_table(data.study, data.runs, np.random.default_rng([data.study.seed, SEED_STEP]))
    coded = find_spec("segno") is not None
    sheet = label_sheet(data.study, table, codes=coded)
    write_whole(folder / KEY_FILE, table_text(table))
    return _written(folder, LABELS_FILE, sheet), coded


def _planned(folder: Path) -> StudyData:
    data = take_in(folder)
    if not len(data.runs):
        raise DesignError("There is no plan yet: testprint plan STUDY makes one.")
    return data


def _written(folder: Path, name: str, text: str) -> Path:
    (folder / SHEETS).mkdir(exist_ok=True)
    path = folder / SHEETS / name
    write_whole(path, text)
    return path
