"""A donor's study and an adopter's printer with hidden truths, for the coverage of the offset interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.study.description import Adopt
from kit.terms import expand_terms, model_matrix
from kit.window.offset import estimate_offset
from kit.window.offset_settings import correct_settings
from kit.window.place_prints import place_prints
from kit.window.rectangle import normal_rectangle
from kit.window.region import find_window
from tests.unit.window.made import (
    GLOSS,
    STRENGTH,
    WIDTH,
    composite,
    fit_by_hand,
    made_study,
    three_factors,
)

SD = np.array([2.0, 0.02, 1.5])
WANTED = (
    GLOSS.model_copy(update={"lower": 43.0}),
    WIDTH.model_copy(update={"lower": -0.06, "upper": 0.06}),
    STRENGTH.model_copy(update={"lower": 63.0}),
)
NAMES = ("gloss", "width", "strength")


@dataclass(frozen=True)
class Outcome:
    covered: bool
    stated: float
    true: float


def one_study(rng: np.random.Generator, bias: float, prints: int = 4) -> Outcome:
    """Draw truth, donor's readings, printer and its prints; see what the kit says and what is true."""
    study = made_study(three_factors(), WANTED, adopt=Adopt(bias=max(bias, 0.01)))
    points = composite(3)
    terms = expand_terms(study.coding, "second_order")
    base = np.array(
        [[42, 9, -5, 1, 0.5, 0, 0, -3, -1, 0], [0.02, 0.04, 0.03, -0.05, 0.01, -0.01, 0, 0.03, 0.01, 0.02],
         [66, 4, -3, -4, 0, 1, 0, -4, -1, -1]]
    ).T  # fmt: skip
    truth = base + rng.normal(0, 0.4, base.shape) * SD
    X = model_matrix(study.coding, terms, points)
    y = X @ truth + rng.normal(0, 1, (len(X), 3)) * SD
    surfaces = fit_by_hand(study, points, dict(zip(NAMES, y.T, strict=True)))
    window = find_window(surfaces, study)
    choice = window.recommended or window.best_compromise
    assert choice is not None
    settings, _ = place_prints(surfaces, study, prints, first=choice.settings)
    coded = study.coding.code({n: [s[n] for s in settings] for n in study.coding.names})
    offset = rng.normal(0, study.printer.thermometer_offset / 1.96)
    added = rng.normal(0, 1, 3) * bias * SD

    def means(at: np.ndarray) -> np.ndarray:
        moved = at.copy()
        moved[:, 0] += offset / 20
        return model_matrix(study.coding, terms, moved) @ truth + added

    values = pd.DataFrame(means(coded) + rng.normal(0, 1, (prints, 3)) * SD, columns=list(NAMES))
    before = estimate_offset(surfaces, study, coded[:0], values.iloc[:0], rng)
    after = estimate_offset(surfaces, study, coded, values, rng)
    found = correct_settings(before, after, choice.settings)
    at = study.coding.code({n: [found.settings[n]] for n in study.coding.names})
    low = np.array([43.0, -0.06, 63.0])
    high = np.array([np.inf, 0.06, np.inf])
    mean = means(at)[0]
    true = normal_rectangle((low - mean) / SD, (high - mean) / SD, np.eye(3))[0]
    least, most = after.interval
    return Outcome(bool(least <= offset <= most), found.probability, float(true))
