"""A finished picture with the words that go with it."""

from __future__ import annotations

from dataclasses import dataclass

from matplotlib.figure import Figure


@dataclass(frozen=True)
class Picture:
    """A figure, its file name stem, and its words.

    Attributes
    ----------
    name : str
        Stem of the file in ``figures/``: lower-case letters, digits and hyphens.
    figure : Figure
        Drawn with the object interface (never pyplot state), so that nothing stays open.
    alt : str
        What a person who cannot see it needs to know, with the main numbers.
    caption : str
        One sentence under the picture.
    """

    name: str
    figure: Figure
    alt: str
    caption: str
