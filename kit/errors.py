"""The errors of the kit: each says where, what was found, what is allowed and what to do.

A maker sees the text, a program reads the attributes. Every class derives from `KitError` and from
the built-in that fits, so that ``except ValueError`` works as well.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, order=True)
class Problem:
    """One thing wrong with what the user wrote.

    Attributes
    ----------
    file : str
        File name inside the study folder, such as ``readings.csv``.
    row : int
        Line as an editor or spreadsheet counts it (header = 1); 0 when the whole file is meant.
    column : str
        Column or key; empty when the whole row is meant.
    text : str
        What was found, what is allowed and what to do, in the maker's words.
    """

    file: str
    row: int
    column: str
    text: str

    def __str__(self) -> str:
        """Give ``file:row:column  text``, the form the command prints."""
        return f"{self.file}:{self.row}:{self.column}  {self.text}"


class KitError(Exception):
    """Root of all errors that the kit raises on purpose."""

    def _render_traceback_(self) -> list[str]:
        """Show the text alone in a notebook: the way through the kit's code helps no maker."""
        return [str(self)]


class StudyError(KitError, ValueError):
    """A study folder with problems; all of them, not only the first.

    Parameters
    ----------
    problems : iterable of Problem
        Everything found, in the order of the files.
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        count = len(self.problems)
        head = f"{count} problem{'s' if count != 1 else ''}; nothing was changed."
        super().__init__("\n  ".join([head, *map(str, self.problems)]))

    def __reduce__(self) -> tuple[type[StudyError], tuple[tuple[Problem, ...]]]:
        """Keep the problems when the error crosses a process border."""
        return type(self), (self.problems,)


class DesignError(KitError, ValueError):
    """A plan that cannot be made as asked; the text says the way out."""


class SettingLimitError(KitError, ValueError):
    """A setting beyond a hard stop of the printer; no command text is made for it."""


class MeasurementError(KitError, ValueError):
    """Readings from which an instrument recipe can compute nothing."""


class ModelError(KitError, ValueError):
    """A model that the runs cannot support; the text says the remedy."""


class NotEstimableError(ModelError):
    """Main effects that cannot be told apart.

    Parameters
    ----------
    terms : iterable of str
        Names of all the terms concerned.
    text : str
        The sentence for the maker.
    """

    def __init__(self, terms: Iterable[str], text: str) -> None:
        self.terms = tuple(terms)
        self.text = text
        super().__init__(text)

    def __reduce__(self) -> tuple[type[NotEstimableError], tuple[tuple[str, ...], str]]:
        """Keep the terms when the error crosses a process border."""
        return type(self), (self.terms, self.text)


class ExtrapolationError(KitError, ValueError):
    """A prediction asked for outside the tried region."""


class ConfirmError(KitError, ValueError):
    """Prints that cannot confirm anything, such as those that were used to fit the model."""


class TransferError(KitError, ValueError):
    """A donor's study that cannot be carried over to this printer."""


class RenderError(KitError, RuntimeError):
    """A notebook that could not be run to its end; the earlier report still stands."""


class PublishError(KitError, RuntimeError):
    """Something that keeps a report from being published; the text says what stands where now."""


class ConflictError(PublishError):
    """The page was changed by somebody else; it was not overwritten."""


class UsageError(KitError, ValueError):
    """A command whose words cannot be understood."""
