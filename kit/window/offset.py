"""Adopt a study on another printer: what a few prints there say of its thermometer and of other differences.

A print on the new printer at indicated settings x reads y = eta(x + d) + b + scatter: d is how much hotter its nozzle
is than the donor's at the same indication, b what it adds to a response for any other reason. The donor's surfaces
eta are known with doubt only, and that doubt is carried along.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from math import sqrt

import numpy as np
import pandas as pd

from kit.errors import TransferError
from kit.model.surface import Surface
from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.draws import GroupDraws, posterior_draws
from kit.window.possible_printers import IntArray, PossiblePrinters
from kit.window.printers import nozzle_place, offset_sd

TRUTHS = 300
"""Possible scatters of the donor's prints."""
PLACES = 61
"""Thermometer differences at which each is asked, over 4 standard deviations either way."""
PRINTERS = 2000
"""Possible printers drawn from the posterior."""


@dataclass(frozen=True)
class OffsetPosterior:
    """What the prints on the new printer say of it.

    Attributes
    ----------
    prints : int
        Prints behind it; 0 for what is believed beforehand.
    places, density : array, shape (n_places,)
        Thermometer differences (degC) and their posterior probabilities (sum 1).
    prior : array, shape (n_places,)
        The same before the prints.
    printers : PossiblePrinters
        Drawn from the posterior.
    known_sd : float
        SD of the difference if nothing but the thermometers differed.
    bias_sd : mapping of response name to float
        SD of other differences that was assumed beforehand.
    notes : tuple of str
        What the numbers rest on.
    """

    prints: int
    places: FloatArray
    density: FloatArray
    prior: FloatArray
    printers: PossiblePrinters
    known_sd: float
    bias_sd: Mapping[str, float]
    notes: tuple[str, ...] = ()

    @property
    def mean(self) -> float:
        """Mean of the thermometer difference, degC."""
        return float(self.density @ self.places)

    @property
    def sd(self) -> float:
        """Its standard deviation."""
        return sqrt(max(float(self.density @ (self.places - self.mean) ** 2), 0.0))

    @cached_property
    def interval(self) -> tuple[float, float]:
        """Limits that hold it with 95 % probability."""
        return self.quantile(0.025), self.quantile(0.975)

    def quantile(self, level: float) -> float:
        """Give a quantile of the thermometer difference, degC."""
        width = self.places[1] - self.places[0]
        edges = np.append(self.places - width / 2, self.places[-1] + width / 2)
        return float(np.interp(level, np.append(0.0, np.cumsum(self.density)), edges))

    def bias_limits(self, name: str) -> tuple[float, float, float]:
        """Give mean and 95 % limits of what this printer adds to a response."""
        b = self.printers.bias[name]
        low, high = np.quantile(b, [0.025, 0.975])
        return float(b.mean()), float(low), float(high)

    def correlation(self, name: str) -> float:
        """Give the correlation of the thermometer difference with what is added to a response."""
        b = self.printers.bias[name]
        if b.std() == 0 or self.printers.offset.std() == 0:
            return 0.0
        return float(np.corrcoef(self.printers.offset, b)[0, 1])

    @property
    def confounded(self) -> bool:
        """Whether the thermometer cannot be told from other differences: doubt would halve if those were known."""
        return self.prints > 0 and self.known_sd < 0.5 * self.sd and self.sd > 0.3 * self.prior_sd

    @property
    def prior_sd(self) -> float:
        """Standard deviation of the difference before the prints, a thermometer check included."""
        middle = float(self.prior @ self.places)
        return float(np.sqrt(self.prior @ (self.places - middle) ** 2))


def estimate_offset(
    surfaces: Mapping[str, Surface],
    study: Study,
    coded: FloatArray,
    values: pd.DataFrame,
    rng: np.random.Generator,
    *,
    specimens: float = 1.0,
    truths: int = TRUTHS,
    printers: int = PRINTERS,
) -> OffsetPosterior:
    """Estimate thermometer difference and other differences from prints on the new printer.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        The donor's, with the adopter's requirements.
    study : Study
        The adopter's: assumptions under ``[adopt]``, thermometer differences under ``[printer]``.
    coded : array, shape (n, n_factors)
        Indicated settings of the prints, in the donor's coding; none for what is believed beforehand.
    values : DataFrame, n rows
        Means of the prints, one column a response of ``surfaces``.
    rng : Generator
        Source of the draws.
    specimens : float
        Pieces measured a print.
    truths, printers : int
        Possible truths of the donor's surfaces; possible printers drawn.

    Returns
    -------
    OffsetPosterior

    Notes
    -----
    d normal with SD ``thermometer_offset`` / 1.96, joined with a thermometer check where one is given; b normal and
    independent, SD ``[adopt] bias`` times the SD of a print. For each possible truth of the donor's surfaces (coefficients
    and scatter from their posterior) the likelihood of the prints is taken at a grid of d, coefficients and b integrated in
    closed form, so that neither the donor's doubt nor the estimated scatter is left out. Prints on the new printer are
    taken to scatter as the donor's do.
    """
    places, prior = _prior(study)
    values = values.assign(**{n: s.scale.forward(values[n]) for n, s in surfaces.items()})
    groups = [
        _scaled(g, specimens) for g in posterior_draws(surfaces, rng, truths, usual_prior=True)
    ]
    bias_sd = {n: study.adopt.bias * sqrt(s.residual_variance) for n, s in surfaces.items()}
    log: FloatArray = np.zeros((truths, len(places)))
    known: FloatArray = np.zeros((truths, len(places)))
    prints = [_GroupPrints(g, study, coded, values) for g in groups]
    for one in prints:
        log += one.log_likelihood(places)
        known += one.log_likelihood(places, biased=False)
    weights = _weights(log, prior)
    drawn = rng.choice(weights.size, size=printers, p=weights.ravel())
    truth, place = np.unravel_index(drawn, weights.shape)
    offset = places[place] + rng.uniform(-0.5, 0.5, printers) * (places[1] - places[0])
    bias: dict[str, FloatArray] = {}
    chosen = []
    for one in prints:
        group, added = one.conditioned(truth, offset, rng)
        chosen.append(group)
        bias |= added
    known_density = _weights(known, prior).sum(axis=0)
    middle = float(known_density @ places)
    return OffsetPosterior(
        prints=len(coded),
        places=places,
        density=weights.sum(axis=0),
        prior=prior,
        printers=PossiblePrinters(study, surfaces, tuple(chosen), offset, bias),
        known_sd=sqrt(float(known_density @ (places - middle) ** 2)),
        bias_sd=bias_sd,
    )


def _prior(study: Study) -> tuple[FloatArray, FloatArray]:
    sd, adopt = offset_sd(study), study.adopt
    if sd <= 0:
        raise TransferError(
            "thermometer_offset = 0 under [printer] says that thermometers do not differ, so there is nothing to find; "
            "write by how much they may differ (degC)."
        )
    middle = 0.0
    if adopt.thermometer is not None:
        precision = 1 / sd**2 + 1 / adopt.thermometer_sd**2
        middle = adopt.thermometer / adopt.thermometer_sd**2 / precision
        sd = precision**-0.5
    places = middle + sd * np.linspace(-4, 4, PLACES)
    prior = np.exp(-0.5 * ((places - middle) / sd) ** 2)
    return places, prior / prior.sum()


def _scaled(group: GroupDraws, specimens: float) -> GroupDraws:
    """Give prints that average another number of pieces their scatter."""
    prints = group.prints.copy()
    for i, s in enumerate(group.surfaces):
        more = (s.specimen_variance or 0.0) * (1 / specimens - 1 / s.specimens_per_print)
        prints[:, i, i] = np.maximum(prints[:, i, i] + more, 0.1 * prints[:, i, i])
    return replace(group, prints=prints)


def _weights(log: FloatArray, prior: FloatArray) -> FloatArray:
    weights: FloatArray = np.exp(log - float(log.max())) * prior
    return np.asarray(weights / weights.sum())


class _GroupPrints:
    """The prints of one group of responses, seen from the donor's surfaces.

    Given scatter S and difference d the prints are normal around the donor's fit at x + d, with covariance
    (I + X U X') (x) S + J (x) B: scatter and the doubt of the surface, and the biases B that all prints share.
    """

    def __init__(
        self,
        group: GroupDraws,
        study: Study,
        coded: FloatArray,
        values: pd.DataFrame,
    ) -> None:
        place = nozzle_place(study)
        assert place is not None  # check_donor saw to it
        self._group, self._coded, self._place = group, coded, place
        self._half = study.factors[place].coded.half_range
        self._surface = group.surfaces[0]
        self._values = (
            values[list(group.names)].to_numpy(dtype=float).reshape(len(coded), len(group.names))
        )
        self._fitted = np.column_stack([s.coefficients for s in group.surfaces])
        # The prior of the draws makes single scatters larger by this; for biases and parts it is taken back.
        df, q = self._surface.residual_df, len(group.names)
        self._usual = max(df - q + 1, 1.0) / df
        # In SDs of a print as drawn, so that the doubt about that SD widens the biases as well.
        share = study.adopt.bias**2 * self._usual
        self._bias = (
            share * np.eye(len(group.names)) * np.einsum("dii->di", group.prints)[:, None, :]
        )
        if self._surface.mixed is None:
            self._unscaled = self._surface.unscaled
        else:  # in units of the scatter of a part, as the draws of mixed models are
            self._unscaled = self._surface.covariance / float(np.mean(group.prints[:, 0, 0]))

    def _rows(self, offset: float) -> FloatArray:
        moved = self._coded.copy()
        moved[:, self._place] += offset / self._half
        return self._surface.rows(moved)

    def _covariance(self, rows: FloatArray, scatter: FloatArray, bias: FloatArray) -> FloatArray:
        """Give the covariance of all readings, shape (draws, n q, n q)."""
        n, q = len(rows), scatter.shape[1]
        doubt = np.eye(n) + rows @ self._unscaled @ rows.T
        blocks = (
            doubt[None, :, None, :, None] * scatter[:, None, :, None, :] + bias[:, None, :, None, :]
        )
        return np.asarray(blocks.reshape(len(scatter), n * q, n * q))

    def log_likelihood(self, places: FloatArray, *, biased: bool = True) -> FloatArray:
        """Give the log likelihood of each scatter and difference, shape (draws, places)."""
        scatter = self._group.prints
        found = np.zeros((len(scatter), len(places)))
        if not len(self._coded):
            return found
        bias = self._bias if biased else np.zeros_like(self._bias)
        for i, offset in enumerate(places):
            rows = self._rows(float(offset))
            off = (self._values - rows @ self._fitted).ravel()
            root = np.linalg.cholesky(self._covariance(rows, scatter, bias))
            white = np.linalg.solve(
                root, np.broadcast_to(off[:, None], (len(scatter), len(off), 1))
            )
            size = np.log(np.einsum("dii->di", root)).sum(axis=1)
            found[:, i] = -0.5 * np.sum(white[:, :, 0] ** 2, axis=1) - size
        return found

    def conditioned(
        self, truth: IntArray, offset: FloatArray, rng: np.random.Generator
    ) -> tuple[GroupDraws, dict[str, FloatArray]]:
        """Draw the donor's surfaces and the biases given scatter, difference and prints.

        Drawn without the prints first, then moved by what the prints say (conditioning by kriging, Matheron).

        Returns
        -------
        GroupDraws
            One possible truth a printer.
        dict of response name to array
            Biases.
        """
        group, n, q = self._group, len(self._coded), len(self._group.names)
        prints, part = group.prints[truth], self._usual * group.part[truth]
        root = np.linalg.cholesky(
            prints + 1e-12 * np.einsum("dii->d", prints)[:, None, None] * np.eye(q)
        )
        doubt = _root(self._unscaled)
        normal = rng.standard_normal((len(truth), len(doubt), q))
        coefficients = self._fitted + doubt @ normal @ root.transpose(0, 2, 1)
        spread = self._bias[truth]
        bias = rng.standard_normal((len(truth), q)) * np.sqrt(np.einsum("dii->di", spread))
        noise = rng.standard_normal((len(truth), n, q)) @ root.transpose(0, 2, 1)
        for k in range(len(truth) if n else 0):
            rows = self._rows(float(offset[k]))
            seen = rows @ coefficients[k] + bias[k] + noise[k]
            covariance = self._covariance(rows, prints[k : k + 1], spread[k : k + 1])[0]
            pull = np.linalg.solve(covariance, (self._values - seen).ravel()).reshape(n, q)
            coefficients[k] += self._unscaled @ rows.T @ pull @ prints[k]
            bias[k] += spread[k] @ pull.sum(axis=0)
        added = {name: bias[:, j] for j, name in enumerate(group.names)}
        return GroupDraws(group.surfaces, coefficients, prints, part), added


def _root(matrix: FloatArray) -> FloatArray:
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
