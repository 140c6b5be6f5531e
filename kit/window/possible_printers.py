"""Possible printers, each with a possible truth of the donor's surfaces, asked at many settings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.model.surface import Surface
from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.draws import GroupDraws
from kit.window.printers import lay_lines, nozzle_place

IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True)
class PossiblePrinters:
    """Possible printers, each with the donor's possible truth it belongs to, equally likely.

    Attributes
    ----------
    study : Study
        The adopter's; its requirements count.
    groups : tuple of GroupDraws
        Possible truths of the donor's surfaces, one a printer.
    offset : array, shape (n,)
        degC that the nozzle is hotter than the donor's at the same indication.
    bias : mapping of response name to array, shape (n,)
        In the response's unit.
    """

    study: Study
    surfaces: Mapping[str, Surface]
    groups: tuple[GroupDraws, ...]
    offset: FloatArray
    bias: Mapping[str, FloatArray]

    def take(self, rows: IntArray | slice) -> PossiblePrinters:
        """Give some of the printers."""
        groups = tuple(
            GroupDraws(g.surfaces, g.coefficients[rows], g.prints[rows], g.part[rows])
            for g in self.groups
        )
        bias = {n: b[rows] for n, b in self.bias.items()}
        return PossiblePrinters(self.study, self.surfaces, groups, self.offset[rows], bias)

    def means(self, coded: FloatArray) -> dict[str, FloatArray]:
        """Give possible means of each response at indicated settings, shape (n, m)."""
        found = {}
        for group in self.groups:
            means = self._group_means(group, coded)
            found.update({name: means[:, :, j] for j, name in enumerate(group.names)})
        return found

    def _group_means(self, group: GroupDraws, coded: FloatArray) -> FloatArray:
        place = nozzle_place(self.study)
        assert place is not None  # check_donor saw to it
        n, m = len(self.offset), len(coded)
        half = self.study.factors[place].coded.half_range
        moved = np.broadcast_to(coded, (n, m, coded.shape[1])).copy()
        moved[:, :, place] += self.offset[:, None] / half
        rows = group.surfaces[0].rows(moved.reshape(n * m, -1)).reshape(n, m, -1)
        means = np.einsum("nmp,npq->nmq", rows, group.coefficients)
        return np.asarray(means + np.stack([self.bias[r] for r in group.names], axis=1)[:, None, :])

    def chances(self, coded: FloatArray, *, independent: bool = False) -> FloatArray:
        """Give for each printer and setting the chance that one part meets everything, shape (n, m).

        A nozzle that would run outside of what the donor tried counts as not met.

        Returns
        -------
        array, shape (n, m)
        """
        result = np.ones((len(self.offset), len(coded)))
        for group in self.groups:
            limited = [i for i, s in enumerate(group.surfaces) if s.response.has_limits]
            if limited:
                means = self._group_means(group, coded)[:, :, limited]
                result = result * _only(group, limited).chance(
                    means, independent=independent, coded=coded
                )
        return result * self._tried(coded)

    def _tried(self, coded: FloatArray) -> FloatArray:
        lines = lay_lines(self.surfaces, self.study, coded)
        assert lines is not None
        half = self.study.factors[lines.place].coded.half_range
        at = coded[:, lines.place] + self.offset[:, None] / half
        ends = lines.ends[lines.line]
        return ((at >= ends[:, 0] - 1e-9) & (at <= ends[:, 1] + 1e-9)).astype(float)


def _only(group: GroupDraws, places: Sequence[int]) -> GroupDraws:
    at = list(places)
    cut = np.ix_(range(len(group.part)), at, at)
    surfaces = tuple(group.surfaces[i] for i in at)
    return GroupDraws(surfaces, group.coefficients[:, :, at], group.prints[cut], group.part[cut])
