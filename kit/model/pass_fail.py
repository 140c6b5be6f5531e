"""What a part passes or fails as a surface among the others: pass/fail responses, and whether a print comes out at all.

Such a surface has no scatter of its own. Its chance p of success is put on the normal scale: a part passes where a standard
normal value around z, the normal quantile of p, lies above 0. All that asks for the chance of a requirement then works alike.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from kit.bench.measured import Measured
from kit.errors import ModelError
from kit.model.scale import Scale
from kit.model.success import Success, finished_runs, fit_success
from kit.model.surface import Surface, VarianceParts
from kit.model.tried import TriedRegion
from kit.study.description import COMES_OUT, PASS_FAIL, Response, Study
from kit.terms import FloatArray


@dataclass(frozen=True)
class PassScale(Scale):
    """Between the chance of passing and the normal scale on which a part passes above 0."""

    @property
    def is_plain(self) -> bool:
        """Whether the response is fitted as it was measured: never."""
        return False

    def forward(self, values: npt.ArrayLike) -> FloatArray:
        """Give the normal quantile of chances.

        Returns
        -------
        array
            Of the shape of ``values``.
        """
        return np.asarray(special.ndtri(np.asarray(values, dtype=float)))

    def back(self, values: npt.ArrayLike) -> FloatArray:
        """Give the chances to pass of places on the normal scale.

        Returns
        -------
        array
            Of the shape of ``values``.
        """
        return np.asarray(special.ndtr(np.asarray(values, dtype=float)))

    def slope(self, values: npt.ArrayLike) -> FloatArray:
        """Give how much the normal scale rises per unit of chance.

        Returns
        -------
        array
            Of the shape of ``values``.
        """
        z = self.forward(values)
        return np.asarray(np.sqrt(2 * np.pi) * np.exp(z * z / 2))

    def requirement(self, stated: Response) -> Response:
        """Give the response on the normal scale: passed above 0.

        Returns
        -------
        Response
        """
        update = {"lower": 0.0 if stated.has_limits else None, "upper": None, "target": None}
        return stated.model_copy(update={**update, "plausible": None, "unit": ""})


METHOD = "logistic, penalised likelihood"
FEWEST = 3
"""Prints without which nothing is said of passing (common practice, no source)."""


def outcome_surfaces(
    measured: Mapping[str, Measured],
    runs: pd.DataFrame,
    study: Study,
    *,
    leave_out: Collection[str] = (),
) -> tuple[dict[str, Surface], dict[str, ModelError]]:
    """Fit everything of a study that a part passes or fails.

    Parameters
    ----------
    measured : mapping of response name to Measured
        Results of the bench.
    runs : DataFrame
        The runs table.
    study : Study
        Which responses are pass/fail, and whether failed prints count.
    leave_out : collection of str, optional
        Runs to leave out.

    Returns
    -------
    surfaces : dict of name to Surface
        Pass/fail responses in study order, then whether a print comes out, where that counts.
    errors : dict of name to ModelError
        Why a response could not be fitted.
    """
    surfaces: dict[str, Surface] = {}
    errors: dict[str, ModelError] = {}
    runs = runs[~runs["run"].isin(list(leave_out))]
    for response in study.responses:
        if response.recipe != PASS_FAIL or response.name not in measured:
            continue
        table = measured[response.name].prints.set_index("run")["value"]
        done = finished_runs(runs)
        done = done[(done["status"] == "printed") & done["run"].isin(table.index)]
        try:
            values = done["run"].map(table).to_numpy(dtype=float)
            surfaces[response.name] = outcome_surface(response, done, values, study)
        except ModelError as error:
            errors[response.name] = error
    done = finished_runs(runs)
    if study.window.failed_prints and len(done) >= FEWEST:
        came_out = np.array([float(status == "printed") for status in done["status"]])
        surfaces[COMES_OUT] = outcome_surface(
            study.response_named(COMES_OUT), done, came_out, study
        )
    return surfaces, errors


def outcome_surface(
    response: Response, done: pd.DataFrame, values: FloatArray, study: Study
) -> Surface:
    """Fit one pass/fail response.

    Parameters
    ----------
    response : Response
        As the study states it.
    done : DataFrame
        Rows of the runs table, one a print, n of them.
    values : array, shape (n,)
        1 where the print passed, 0 where it failed, or the share of its specimens that passed.
    study : Study
        Coding and seed.

    Returns
    -------
    Surface
        With ``success``; its coefficients are log odds.

    Raises
    ------
    ModelError
        With fewer than three prints.
    """
    if len(done) < FEWEST:
        raise ModelError(
            f"{len(done)} prints judged; at least {FEWEST} are needed to say how often one passes."
        )
    coding = study.coding
    actual = {n: done[f"{n}_actual"] if f"{n}_actual" in done else done[n] for n in coding.names}
    coded = coding.code(actual)
    found = fit_success(coding, coded, np.asarray(values, dtype=float), seed=study.seed)
    return _as_surface(found, response, done, coded, study)


def _as_surface(
    found: Success, response: Response, done: pd.DataFrame, coded: FloatArray, study: Study
) -> Surface:
    covariance = np.atleast_2d(np.cov(found.possible, rowvar=False))
    n, p = found.X.shape
    fitted = found.chance(coded)
    _, cells = np.unique(coded.round(9), axis=0, return_inverse=True)
    observations = pd.DataFrame(
        {
            "run": done["run"].to_numpy(),
            "print_order": done["print_order"].to_numpy(),
            "block": done["block"].to_numpy(),
            "cell": np.asarray(cells).ravel(),
            **study.coding.decode(coded),
            "value": found.came_out,
            "fitted": fitted,
            "residual": found.came_out - fitted,
        }
    )
    scale = PassScale()
    return Surface(
        response=scale.requirement(response),
        coding=found.coding,
        terms=found.terms,
        block_names=(),
        coefficients=found.coefficients,
        covariance=covariance,
        term_df=np.full(p, np.inf),
        unscaled=covariance,
        residual_variance=1.0,
        residual_df=float(max(n - p, 1)),
        observations=observations,
        not_estimable=(),
        alias_notes=(),
        r2=np.nan,
        r2_predicted=np.nan,
        lack_of_fit=None,
        variance=VarianceParts(None, None, None, None),
        tried=TriedRegion(found.coding, coded),
        specimens_per_print=1.0,
        specimen_variance=None,
        specimen_df=0.0,
        design=found.X,
        method=METHOD,
        factor_units={f.name: f.unit for f in study.factors},
        scale=scale,
        stated_response=response,
        success=found,
    )
