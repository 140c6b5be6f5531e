"""Raters' agreement and scores as ordered classes, against published examples."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import special

from kit.errors import ModelError
from kit.model.agreement import agreement, ordinal_alpha
from kit.model.ordinal import fit_ordinal

_ = np.nan
# Four observers, twelve units: Krippendorff (2011), Computing Krippendorff's Alpha-Reliability, section C (data from memory).
OBSERVERS = np.array(
    [
        [1, 2, 3, 3, 2, 1, 4, 1, 2, _, _, _],
        [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, _, 3],
        [_, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, _],
        [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, _],
    ]
).T
# Cheese tasting: McCullagh and Nelder (1989), Generalized Linear Models, table 5.1 (counts of scores 1 to 9, from memory).
CHEESE = {
    "A": [0, 0, 1, 7, 8, 8, 19, 8, 1],
    "B": [6, 9, 12, 11, 7, 6, 1, 0, 0],
    "C": [1, 1, 6, 8, 23, 7, 5, 1, 0],
    "D": [0, 0, 0, 1, 3, 7, 14, 16, 11],
}


def test_ordinal_alpha_of_the_published_example() -> None:
    assert ordinal_alpha(OBSERVERS) == pytest.approx(0.815, abs=5e-4)


def test_alpha_of_full_agreement_and_of_none() -> None:
    same = np.repeat(np.arange(5.0)[:, None], 3, axis=1)
    assert ordinal_alpha(same) == pytest.approx(1.0)
    assert np.isnan(ordinal_alpha(np.full((4, 2), 2.0)))
    rng = np.random.default_rng(2)
    assert abs(ordinal_alpha(rng.integers(0, 6, (4000, 2)).astype(float))) < 0.05


def test_agreement_by_hand() -> None:
    # Three pieces, two raters: equal, one apart, two apart.
    table = pd.DataFrame(
        {
            "piece": ["a", "a", "b", "b", "c", "c", "d"],
            "operator": ["X", "Y"] * 3 + ["X"],
            "value": [1, 1, 2, 3, 0, 2, 5],
        }
    )
    found = agreement(table)
    assert (found.same, found.within_one) == pytest.approx((1 / 3, 2 / 3))
    assert found.pieces == 3
    assert found.means["Y"] - found.means["X"] == pytest.approx(1.0)


def test_one_rater_agrees_with_nobody() -> None:
    assert (
        agreement(pd.DataFrame({"piece": ["a", "b"], "operator": ["X", "X"], "value": [1, 2]}))
        is None
    )


def test_cheese_tasting() -> None:
    rows = [
        (c, k + 1) for c, counts in CHEESE.items() for k, n in enumerate(counts) for _i in range(n)
    ]
    table = pd.DataFrame(rows, columns=["cheese", "score"])
    X = np.column_stack([(table["cheese"] == c).to_numpy(dtype=float) for c in "ABC"])
    found = fit_ordinal(table["score"].to_numpy(dtype=float), X, ("A", "B", "C"))
    # Effects against cheese D, printed to three decimals (McCullagh and Nelder 1989, 5.6, from memory).
    assert found.effects == pytest.approx([-1.613, -4.965, -3.323], abs=6e-4)
    shares = special.expit(found.thresholds - found.effects[0])
    assert found.chance_at_most(5, np.array([[1.0, 0, 0]]))[0] == pytest.approx(shares[4])
    assert found.chance_at_most(0, X[:1])[0] == 0
    assert found.chance_at_most(9, X[:1])[0] == 1


def test_scores_that_part_the_settings_cleanly_are_refused() -> None:
    x = np.repeat([-1.0, 1.0], 6)
    with pytest.raises(ModelError, match="cleanly"):
        fit_ordinal(np.where(x > 0, 4.0, 1.0), x[:, None], ("nozzle",))
    with pytest.raises(ModelError, match="same"):
        fit_ordinal(np.ones(12), x[:, None], ("nozzle",))
