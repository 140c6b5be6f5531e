"""Which factors a map shows across, up and as slices, and where the others are held.

Chosen once a study, so that every map of it has the same factor in the same place.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.charts.labels import Setting
from kit.model.surface import Surface
from kit.study.description import Factor, Study
from kit.terms import FloatArray
from kit.window.settable import printable_values

MOST_SLICES = 5
SLICES = 3
ON_SLICE, NEAR_SLICE = 0.1, 0.5
"""A run this near (coded) to a slice is on it; up to the second it is still shown, fainter."""


@dataclass(frozen=True)
class View:
    """The way a study's maps look at its settings.

    Attributes
    ----------
    across, up : str or None
        Factors on the axes; None where the study has too few on a scale.
    along : str or None
        Factor along which the panels differ.
    slices : tuple of settings
        Its values, printable, at most five; empty without ``along``.
    held : mapping of factor name to setting
        All other factors.
    """

    across: str | None
    up: str | None
    along: str | None
    slices: tuple[Setting, ...]
    held: Mapping[str, Setting]

    @property
    def panels(self) -> tuple[dict[str, Setting], ...]:
        """The settings of all factors off the axes, panel by panel."""
        if self.along is None:
            return (dict(self.held),)
        return tuple({**self.held, self.along: value} for value in self.slices)


def choose_view(
    surfaces: Mapping[str, Surface],
    study: Study,
    at: Mapping[str, Setting] | None = None,
    *,
    along: str | None = None,
    slices: int = SLICES,
) -> View:
    """Choose what the maps of a study show.

    The two factors on a scale that matter most, over all responses, take the axes in the study's order;
    the next, or a category if there is one, gives the slices.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        Their coefficients say which factors matter; may be empty, then the study's order decides.
    study : Study
        Labels, units and limits.
    at : mapping of factor name to setting, optional
        Where the factors off the axes are held and which value is among the slices: the recommended
        settings. Default: the middle and the first level.
    along : str, optional
        Factor to slice along instead.
    slices : int, default 3
        How many along a scale, 1 to 5; three can be read on a phone.

    Returns
    -------
    View

    Raises
    ------
    ValueError
        If ``slices`` is not 1 to 5, or ``along`` is no factor.
    """
    if not 1 <= slices <= MOST_SLICES:
        raise ValueError(f"slices must be 1 to {MOST_SLICES}, got {slices!r}.")
    names = study.coding.names
    if along is not None and along not in names:
        raise ValueError(f"no factor {along!r} to slice along; factors are {', '.join(names)}.")
    scales = [f.name for f in study.coding.continuous if f.name != along]
    ranked = sorted(scales, key=lambda name: -_influence(surfaces.values(), name))
    axes = [name for name in names if name in ranked[:2]]
    rest = ranked[2:]
    if along is None:
        along = next(iter([f.name for f in study.coding.categories] + rest), None)
    place = {f.name: _at(f, study, at) for f in study.factors}
    chosen: tuple[Setting, ...] = ()
    if along is not None:
        chosen = _slices(study.factor_named(along), study, place[along], slices)
    held = {n: v for n, v in place.items() if n not in (*axes, along)}
    across, up = [*axes, None, None][:2]
    return View(across, up, along, chosen, held)


def _influence(surfaces: Iterable[Surface], name: str) -> float:
    """Rate a factor: root sum of squares of its coded coefficients over the residual SD, summed over responses."""
    total = 0.0
    for surface in surfaces:
        mine = [i for i, term in enumerate(surface.terms) if name in term.factors]
        size = float(np.sqrt(np.sum(surface.coefficients[mine] ** 2)))
        total += size / max(surface.residual_variance**0.5, 1e-12)
    return total


def _at(factor: Factor, study: Study, at: Mapping[str, Setting] | None) -> Setting:
    if at is not None and factor.name in at:
        return str(at[factor.name]) if factor.is_category else float(at[factor.name])
    if factor.is_category:
        return factor.levels[0]
    return _nearest(_printable(factor, study), factor.coded.middle)


def _printable(factor: Factor, study: Study) -> FloatArray:
    low, high = factor.coded.low, factor.coded.high
    return np.array(printable_values(factor, study, low, high) or (factor.coded.middle,))


def _nearest(values: FloatArray, wanted: float) -> float:
    return float(values[np.argmin(np.abs(values - wanted))])


def _slices(factor: Factor, study: Study, value: Setting, count: int) -> tuple[Setting, ...]:
    """Spread slices over the factor, the wanted value among them."""
    if factor.is_category:
        wanted = [level for level in factor.levels if level == value]
        others = [level for level in factor.levels if level != value]
        shown = {*wanted, *others[: MOST_SLICES - len(wanted)]}
        return tuple(level for level in factor.levels if level in shown)
    steps = _printable(factor, study)
    ends = np.linspace(factor.coded.low, factor.coded.high, count) if count > 1 else [float(value)]
    values = np.array([_nearest(steps, t) for t in ends])
    values[np.argmin(np.abs(values - float(value)))] = float(value)
    return tuple(sorted({float(v) for v in values}))


def printed_runs(runs: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Give what was really set in the runs that were printed: ``run`` and the factor columns.

    Parameters
    ----------
    runs : DataFrame
        The runs table of a study, or the observations of a surface.
    study : Study
        Labels, units and limits.

    Returns
    -------
    DataFrame
        In print order.
    """
    table = runs[runs["status"] == "printed"] if "status" in runs else runs
    table = table.sort_values("print_order", kind="stable") if "print_order" in table else table
    columns = {
        n: table[f"{n}_actual"] if f"{n}_actual" in table else table[n] for n in study.coding.names
    }
    return pd.DataFrame({"run": table["run"].astype(str), **columns}).reset_index(drop=True)


def runs_near(
    printed: pd.DataFrame, study: Study, view: View, panel: Mapping[str, Setting]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give the runs on a panel's slice, and those near it.

    A run belongs to one slice, the nearest, if it is less than half a coded unit away; it is "on" the
    slice when all factors off the axes agree within a tenth. Category levels must be the same.

    Parameters
    ----------
    printed : DataFrame
        As `printed_runs` gives it.
    study : Study
        Labels, units and limits.
    view : View
        Gives the slices.
    panel : mapping of factor name to setting
        One of ``view.panels``.

    Returns
    -------
    on, near : DataFrame
        Rows of ``printed``.
    """
    away = np.zeros(len(printed))
    mine = np.ones(len(printed), dtype=bool)
    for name, value in panel.items():
        factor = study.coding[name]
        if factor.is_category:
            mine &= (printed[name].astype(str) == str(value)).to_numpy()
            continue
        coded = factor.code(printed[name].to_numpy())
        distance = np.abs(coded - factor.code([value])[0])
        away = np.maximum(away, distance)
        if name == view.along:
            others = np.abs(coded[:, None] - factor.code(list(view.slices))).min(axis=1)
            mine &= (distance <= others + 1e-9) & (distance <= NEAR_SLICE)
    on = mine & (away <= ON_SLICE)
    return printed[on], printed[mine & ~on]
