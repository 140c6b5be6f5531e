"""Plackett-Burman, definitive screening and Box-Behnken plans against the published ones."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from kit.design.box_behnken import BLOCKS, CENTRE_POINTS, box_behnken
from kit.design.choose import choose_design, plan_runs
from kit.design.screening import (
    FIRST_ROWS,
    conference_matrix,
    definitive_screening,
    plackett_burman,
    plackett_burman_signs,
)
from kit.errors import DesignError
from kit.study.description import Factor
from kit.terms import CodedFactor, Coding, expand_terms, model_matrix
from tests.reference.cases import load_case
from tests.unit.design.studies import SPOOL, study

PB = load_case("t02_plackett_burman_12_20")
DSD = load_case("t05_definitive_screening_4_8")
BBD = load_case("t04_box_behnken_3_5")


def coding(k: int) -> Coding:
    return Coding(tuple(CodedFactor(f"x{i + 1}") for i in range(k)))


def factors(k: int) -> list[Factor]:
    return [Factor(name=f"f{i}", low=0, high=10, step=1) for i in range(k)]


@pytest.mark.parametrize("runs", FIRST_ROWS)
def test_plackett_burman_columns_are_balanced_and_orthogonal(runs: int) -> None:
    X = plackett_burman_signs(runs)
    assert np.array_equal(X.T @ X, runs * np.eye(runs - 1))
    assert not X.sum(axis=0).any()


@pytest.mark.parametrize("runs", [12, 20])
def test_plackett_burman_designs_are_as_published(runs: int) -> None:
    X = plackett_burman_signs(runs)
    PB.check(f"{runs} runs: first_row", "".join("+" if x > 0 else "-" for x in X[0]))
    assert np.array_equal(X, PB.table(f"pb{runs}.csv").to_numpy())
    products = {
        abs(int(X[:, i] @ (X[:, a] * X[:, b])))
        for i in range(11)
        for a, b in combinations(range(11), 2)
        if i not in (a, b)
    }
    PB.check(
        f"{runs} runs: |inner products of main effect with two-factor interaction| (first 11 columns)",
        sorted(products),
    )


def test_plackett_burman_plans_hold_the_factors() -> None:
    assert len(choose_design(study(*factors(7), family="plackett_burman"))) == 12 + 4
    assert len(choose_design(study(*factors(7), family="plackett_burman", runs=22))) == 22
    plan = plan_runs(study(*factors(6), SPOOL, family="plackett_burman"))
    assert "spool=pink" in plan.support.estimable
    with pytest.raises(DesignError, match="at least 16 runs"):
        choose_design(study(*factors(13), family="plackett_burman", runs=12))
    with pytest.raises(DesignError, match="set replicates = 2"):
        plackett_burman(coding(5), 12, blocks=2)


@pytest.mark.parametrize("order", [4, 6, 8, 10, 12, 14])
def test_conference_matrices(order: int) -> None:
    C = conference_matrix(order)
    assert np.array_equal(C.T @ C, (order - 1) * np.eye(order))
    assert not np.diag(C).any()
    assert np.array_equal(np.abs(C), 1 - np.eye(order))


@pytest.mark.parametrize("k", [4, 6, 7, 8])
def test_definitive_screening_is_as_published(k: int) -> None:
    made = definitive_screening(coding(k), k + k % 2)
    X = made.coded
    DSD.check(f"k={k}: runs", len(X))
    gram = X.T @ X
    DSD.check(f"k={k}: X'X diagonal", gram[0, 0])
    second = np.column_stack([X[:, a] * X[:, b] for a, b in combinations(range(k), 2)] + [X**2])
    clear = np.array_equal(gram, gram[0, 0] * np.eye(k)) and not (X.T @ second).any()
    DSD.check(
        f"k={k}: main effects mutually orthogonal and orthogonal to all second-order columns", clear
    )
    squares, pairs = np.corrcoef((X**2).T), np.corrcoef(second.T)
    n_pairs = k * (k - 1) // 2
    # Where the published correlation is 0 the case holds its rounding, so the difference is bounded.
    want = DSD.value(f"k={k}: correlation between pure quadratic columns")
    assert squares[0, 1] == pytest.approx(want, abs=1e-9)
    among = np.abs(pairs[:n_pairs, :n_pairs] - np.eye(n_pairs)).max()
    DSD.check(f"k={k}: max |corr| between two-factor interaction columns", among)
    DSD.check(
        f"k={k}: max |corr| quadratic vs interaction", np.abs(pairs[:n_pairs, n_pairs:]).max()
    )
    DSD.check(f"k={k}: var(main effect)/sigma^2", 1 / gram[0, 0])


def test_definitive_screening_leaves_runs_for_error() -> None:
    plan = plan_runs(study(*factors(6), family="definitive_screening"))
    assert len(plan.runs) == 17
    assert plan.support.residual_df == 4
    assert any("4 of the runs" in n for n in plan.notes)
    assert len(choose_design(study(*factors(6), family="definitive_screening", runs=15))) == 15
    with pytest.raises(DesignError, match="13 runs for 13 coefficients"):
        choose_design(study(*factors(6), family="definitive_screening", runs=13))
    with pytest.raises(DesignError, match=r"4 to 12 factors, not 3"):
        choose_design(study(*factors(3), family="definitive_screening"))
    with pytest.raises(DesignError, match="needs factors on a scale"):
        choose_design(study(*factors(4), SPOOL, family="definitive_screening"))


@pytest.mark.parametrize("k", [3, 4, 5])
def test_box_behnken_is_as_published(k: int) -> None:
    made = box_behnken(coding(k))
    terms = expand_terms(coding(k), "second_order")
    X = model_matrix(coding(k), terms, made.coded)
    inverse = np.linalg.inv(X.T @ X)
    variance = dict(zip([t.name for t in terms], np.diag(inverse), strict=True))
    n = CENTRE_POINTS[k]
    BBD.check(f"k={k}: runs incl. {n} centre", len(X))
    BBD.check(f"k={k}: second-order parameters", X.shape[1])
    BBD.check(f"k={k}: var(linear)/sigma^2", variance["x1"])
    BBD.check(f"k={k}: var(quadratic x1^2)/sigma^2", variance["x1^2"])
    BBD.check(f"k={k}: distinct var(interaction)/sigma^2", [variance["x1:x2"]])
    BBD.check(f"k={k}: log_det_XtX", np.linalg.slogdet(X.T @ X)[1])
    BBD.check(f"k={k}: scaled prediction variance n*v at origin", len(X) * inverse[0, 0])


@pytest.mark.parametrize(("k", "runs"), [(3, 15), (4, 27), (5, 46), (6, 54), (7, 62)])
def test_box_behnken_blocks_disturb_no_second_order_estimate(k: int, runs: int) -> None:
    # Numbers of runs: Box and Behnken, Technometrics 2 (1960), table 4 (from memory).
    made = box_behnken(coding(k), blocks=BLOCKS[k])
    assert len(made) == runs
    X = model_matrix(coding(k), expand_terms(coding(k), "second_order"), made.coded)
    means = np.array([X[made.block == b].mean(axis=0) for b in range(1, BLOCKS[k] + 1)])
    assert np.allclose(means, means[0])
    assert np.linalg.matrix_rank(X) == X.shape[1]


def test_box_behnken_with_a_category_and_with_wrong_blocks() -> None:
    with_spool = study(*factors(3), SPOOL, family="box_behnken")
    assert len(choose_design(with_spool)) == 30
    with pytest.raises(DesignError, match="possible: 1 blocks"):
        choose_design(study(*factors(3), family="box_behnken", blocks=2))
    with pytest.raises(DesignError, match="3 to 7 factors"):
        box_behnken(coding(8))
