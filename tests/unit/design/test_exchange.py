"""Exact designs: against enumeration, published and recomputed best values, and rules that always hold."""

from __future__ import annotations

from itertools import combinations_with_replacement, pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.design.basis import Basis, polynomial_terms, term_numbers
from kit.design.continuous import continuous_design
from kit.design.coordinate_exchange import Offers, exchange_coordinates
from kit.design.exchange import added_runs, exchange
from kit.design.information import Information, criterion_value
from kit.design.moments import region_moments, term_rows
from kit.design.point_exchange import exchange_points
from kit.design.pool import candidate_pool
from kit.design.problem import DesignProblem
from kit.design.region import Region
from kit.design.split_plot_exchange import plot_covariance, plot_labels, split_plot_exchange
from kit.errors import DesignError
from kit.terms import CodedFactor, Coding, expand_terms, model_matrix
from tests.reference.cases import load_case

O01 = load_case("o01_bounds_k1_k2")
SQUARE = Region([np.linspace(-1, 1, 21)] * 2)
SECOND = polynomial_terms(SQUARE)


def seeded(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def value(rows: np.ndarray, W: np.ndarray | None, V: np.ndarray | None = None) -> float:
    """The criterion by the textbook's formula, nothing shared with the code under test."""
    P = np.eye(len(rows)) if V is None else np.linalg.inv(V)
    M = rows.T @ P @ rows
    return -np.linalg.slogdet(M)[1] if W is None else float(np.trace(np.linalg.inv(M) @ W))


# --- against published and recomputed best values -------------------------------------------------


@pytest.fixture(scope="module")
def bounds() -> dict[tuple[int, str], object]:
    regions = {k: Region([np.linspace(-1, 1, 21)] * k) for k in (1, 2)}
    return {
        (k, c): continuous_design(polynomial_terms(r), r, c)
        for k, r in regions.items()
        for c in ("D", "I")
    }


SIZES = [(1, n) for n in range(3, 7)] + [(2, n) for n in range(6, 14)]


@pytest.mark.parametrize(("k", "n"), SIZES)
def test_three_level_designs_reach_the_best_known_value(k, n, bounds):
    region = Region([[-1, 0, 1]] * k)
    design = exchange(polynomial_terms(region), region, n, rng=seeded(), starts=96)
    found, _ = bounds[k, "D"].efficiency(design.runs)
    O01.check(f"k={k} n={n} best found D-efficiency (levels -1,0,1)", found)


@pytest.mark.parametrize(("k", "n"), SIZES)
@pytest.mark.parametrize("criterion", ["D", "I"])
def test_fine_grids_come_as_near_to_the_best_known_value_as_their_step_allows(
    k, n, criterion, bounds
):
    """The case's designs lie anywhere in the square; ours on steps of 0.01."""
    region = Region([np.linspace(-1, 1, 201)] * k)
    design = exchange(polynomial_terms(region), region, n, criterion, rng=seeded(), starts=128)
    found = bounds[k, criterion].efficiency(design.runs)[criterion == "I"]
    where = " (points anywhere in the cube)" if criterion == "D" else ""
    best = O01.value(f"k={k} n={n} best found {criterion}-efficiency{where}")
    assert best - 1e-4 < found < best + 2e-5


@pytest.mark.parametrize("n", [6, 7, 9, 10, 12, 13])
def test_efficiency_of_the_stored_designs(n, bounds):
    found, _ = bounds[2, "D"].efficiency(O01.table(f"d_opt_k2_n{n}.csv").to_numpy())
    O01.check(f"k=2 n={n} best found D-efficiency (points anywhere in the cube)", found)


@pytest.mark.parametrize(
    ("k", "criterion", "best"),
    # best share of the bound seen with a compiled exchange written for this comparison, n = 1.3 p
    [(3, "D", 0.977), (4, "D", 0.955), (3, "I", 0.903), (4, "I", 0.919)],
)
def test_designs_of_three_and_four_factors(k, criterion, best):
    check_aim(k, criterion, best)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("k", "criterion", "best"),
    [(5, "D", 0.959), (6, "D", 0.978), (5, "I", 0.913), (6, "I", 0.888)],
)
def test_designs_of_five_and_six_factors(k, criterion, best):
    check_aim(k, criterion, best)


def check_aim(k: int, criterion: str, best: float) -> None:
    region = Region([np.linspace(-1, 1, 21)] * k)
    terms = polynomial_terms(region)
    n = int(np.ceil(1.3 * len(terms)))
    design = exchange(terms, region, n, criterion, rng=seeded())
    bound = continuous_design(terms, region, criterion)
    assert bound.efficiency(design.runs)[criterion == "I"] > best * 0.995


# --- against enumeration --------------------------------------------------------------------------


@pytest.mark.parametrize("criterion", ["D", "I"])
@pytest.mark.parametrize(
    ("grids", "n", "order"),
    [
        ([np.linspace(-1, 1, 9)], 5, "second_order"),
        ([[-1, 0, 1], [-1, 0, 1]], 7, "second_order"),
        ([[-1, 0, 1], 3], 6, "main"),
        ([2, [-1, -0.2, 0.3, 1]], 6, "interactions"),
    ],
)
def test_best_of_all_designs_is_found(grids, n, order, criterion):
    region = Region(grids)
    terms = polynomial_terms(region, order)
    W = region_moments(region, terms) if criterion == "I" else None
    points = term_rows(region, np.array(terms), list(product(*region.levels)))
    every = points[list(combinations_with_replacement(range(len(points)), n))]
    M = every.transpose(0, 2, 1) @ every
    best = criterion_value(M, W).min()
    design = exchange(terms, region, n, criterion, rng=seeded(), starts=64)
    assert value(term_rows(region, np.array(terms), design.runs), W) == pytest.approx(
        best, abs=1e-9
    )


@pytest.mark.parametrize("criterion", ["D", "I"])
@pytest.mark.parametrize("ratio", [0.0, 1.0, 10.0])
def test_best_of_all_split_plot_designs_is_found(ratio, criterion):
    region = Region([[-1, 0, 1], [-1, 0, 1]])
    terms = [(0, 0), (1, 0), (0, 1), (1, 1)]
    labels = np.array([0, 0, 1, 1, 2, 2])
    V = np.eye(6) + ratio * (labels[:, None] == labels)
    W = region_moments(region, terms) if criterion == "I" else None
    levels = (-1.0, 0.0, 1.0)
    every = np.array(
        [
            np.column_stack([np.repeat(hard, 2), easy])
            for hard in combinations_with_replacement(levels, 3)
            for easy in product(levels, repeat=6)
        ]
    )
    rows = np.stack(
        [np.ones(every.shape[:2]), *every.transpose(2, 0, 1), every.prod(axis=2)], axis=2
    )
    best = criterion_value(rows.transpose(0, 2, 1) @ np.linalg.inv(V) @ rows, W).min()
    plan = split_plot_exchange(
        terms, region, labels, [0], criterion, rng=seeded(), ratio=ratio, starts=64
    )
    assert value(term_rows(region, np.array(terms), plan.runs), W, V) == pytest.approx(
        best, abs=1e-9
    )


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_best_of_all_blocked_designs_is_found(criterion):
    region = Region([[-1, 0, 1]])
    terms = [(0,), (1,), (2,)]
    blocks = np.array([0, 0, 0, 1, 1, 2, 2])
    Z = np.array([[-1, -1], [1, 0], [0, 1]])[blocks]
    W = np.zeros((5, 5))
    W[:3, :3] = region_moments(region, terms)
    every = np.array(list(product((-1.0, 0.0, 1.0), repeat=7)))
    rows = np.concatenate(
        [every[..., None] ** np.arange(3), np.broadcast_to(Z, (len(every), 7, 2))], axis=2
    )
    weight = W if criterion == "I" else None
    best = criterion_value(rows.transpose(0, 2, 1) @ rows, weight).min()
    design = exchange(terms, region, 7, criterion, rng=seeded(), starts=64, blocks=blocks)
    found = np.hstack([design.runs ** np.arange(3), Z])
    assert value(found, weight) == pytest.approx(best, abs=1e-9)


# --- known optima ---------------------------------------------------------------------------------


def test_blocks_are_orthogonal_where_they_can_be():
    """2^3 in two blocks of four: the three-factor product defines them (Box, Hunter & Hunter)."""
    region = Region([[-1, 1]] * 3)
    design = exchange(
        polynomial_terms(region, "interactions"), region, 8, rng=seeded(), blocks=[0] * 4 + [1] * 4
    )
    assert design.information == pytest.approx(1.0)
    assert abs(design.runs.prod(axis=1)[:4].sum()) == 4


def test_a_category_is_balanced():
    region = Region([3])
    design = exchange([(0,), (1,), (2,)], region, 9, rng=seeded())
    assert np.bincount(design.runs[:, 0].astype(int)).tolist() == [3, 3, 3]


def test_split_plot_information_of_a_balanced_plan():
    """4 plots of 2, both factors and their product at two levels: M is diagonal, known by hand.

    Contrasts between plots carry n / (1 + 2 eta), contrasts within carry n (Goos & Jones 2011, ch. 10).
    """
    region = Region([[-1, 1], [-1, 1]])
    terms = [(0, 0), (1, 0), (0, 1), (1, 1)]
    plan = split_plot_exchange(terms, region, plot_labels(8, 4), [0], rng=seeded(), ratio=1.0)
    between, within = 1 / (1 + 2 * 1.0), 1.0
    assert plan.information == pytest.approx((between**2 * within**2) ** 0.25)


def test_no_plot_variance_is_an_ordinary_design():
    region = Region([[-1, 0, 1], [-1, 0, 1]])
    terms = polynomial_terms(region)
    held = split_plot_exchange(terms, region, np.arange(9), [0], rng=seeded(), ratio=0.0)
    free = exchange(terms, region, 9, rng=seeded())
    assert held.information == pytest.approx(free.information)


# --- the algebra ----------------------------------------------------------------------------------


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_predicted_gain_and_update_are_those_of_the_exchanged_design(criterion, rng):
    W = region_moments(SQUARE, SECOND) if criterion == "I" else None
    rows = rng.normal(size=(4, 8, 6))
    new = rng.normal(size=(4, 6))
    info = Information.of(rows.transpose(0, 2, 1) @ rows, W)
    old = rows[:, 3].copy()

    def products(A: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        cc = np.einsum("sp,spq,sq->s", new, A, new)[:, None]
        ic = np.einsum("sp,spq,sq->s", old, A, new)[:, None]
        return cc, ic, np.einsum("sp,spq,sq->s", old, A, old)

    gain = info.gain(*products(info.A), None if info.Q is None else products(info.Q))[:, 0]
    before = [value(x, W) for x in rows]
    rows[:, 3] = new
    after = [value(x, W) for x in rows]
    true = np.exp(np.subtract(before, after)) - 1 if W is None else 1 - np.divide(after, before)
    np.testing.assert_allclose(gain, true, rtol=1e-8)
    info.exchange(np.arange(4), old, new)
    fresh = Information.of(rows.transpose(0, 2, 1) @ rows, W)
    np.testing.assert_allclose(info.A, fresh.A, rtol=1e-7, atol=1e-9)
    if W is not None:
        np.testing.assert_allclose(info.Q, fresh.Q, rtol=1e-7, atol=1e-9)
        np.testing.assert_allclose(info.trace, fresh.trace, rtol=1e-8)


@pytest.mark.parametrize("criterion", ["D", "I"])
@pytest.mark.parametrize("kind", ["plain", "blocks", "split plot", "cut", "category", "fixed"])
def test_no_pass_makes_a_design_worse(kind, criterion):
    problem, offers = some_problem(kind, criterion)
    index = problem.starts(6, seeded())
    before = problem.value(index)
    for number in range(4):
        index = exchange_coordinates(problem, index, passes=1, tolerance=1e-7, offers=offers)
        after = problem.value(index)
        assert problem.permits(index[:, problem.free]).all()
        sound = np.isfinite(before)
        assert (after[sound] <= before[sound] + 1e-6 * abs(before[sound])).all(), number
        before = after
    assert np.isfinite(before).all()


def some_problem(kind: str, criterion: str) -> tuple[DesignProblem, Offers | None]:
    grid = np.linspace(-1, 1, 7)
    cut = ([[1.0, 1.0, 0.0]], [0.4])
    region = {
        "category": Region([grid, grid, 3]),
        "cut": Region([grid] * 3, limits=cut, allowed=lambda x: x[:, 2] > -0.9),
    }.get(kind, Region([grid] * 3))
    labels = plot_labels(16, 5)
    extra = {
        "blocks": {"blocks": [0] * 8 + [1] * 8},
        "split plot": {"covariance": plot_covariance(labels, 2.0), "held": {0: labels}},
        "fixed": {"fixed_runs": np.array([[0.12, 0.0, 0.5], [1.0, -1.0, 0.31]])},
        "cut": {"blocks": [0] * 8 + [1] * 8},
    }.get(kind, {})
    problem = DesignProblem(polynomial_terms(region), region, 16, criterion, **extra)
    pool = candidate_pool(problem.basis, seeded())
    return problem, Offers(pool, seeded()) if kind == "cut" else None


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_exchanging_points_does_not_make_a_design_worse(criterion, rng):
    basis = Basis(SQUARE, SECOND)
    pool = basis.rows(candidate_pool(basis, rng))
    W = region_moments(SQUARE, SECOND) if criterion == "I" else None
    picks = rng.integers(0, len(pool), size=(10, 8))

    def values() -> np.ndarray:
        return criterion_value(pool[picks].transpose(0, 2, 1) @ pool[picks], W)

    before = values()
    for _ in range(3):
        exchange_points(pool, picks, np.zeros((6, 6)), W, passes=1)
        after = values()
        assert (after <= before + 1e-6 * abs(after)).all()
        before = after


# --- rules ----------------------------------------------------------------------------------------

cases = st.tuples(
    st.lists(st.sampled_from([2, 3, 5, 9]), min_size=1, max_size=3),
    st.booleans(),
    st.sampled_from(["main", "interactions"]),
    st.integers(0, 4),
    st.sampled_from(["D", "I"]),
    st.integers(0, 2**32 - 1),
)


@settings(max_examples=25, deadline=None)
@given(cases)
def test_runs_are_settable_allowed_repeatable_and_hold_the_fixed_ones(case):
    counts, with_category, order, spare, criterion, seed = case
    grids = [np.linspace(-1, 1, c) for c in counts] + ([3] if with_category else [])
    A = np.zeros((1, len(grids)))
    A[0, 0] = -1.0
    region = Region(grids, limits=(A, [1.0]), allowed=lambda x: x.sum(axis=1) < 100)
    terms = polynomial_terms(region, order)
    fixed = np.vstack(
        [np.full(len(grids), 0.1234567890123) for _ in range(spare)] or [np.empty((0, len(grids)))]
    )
    if with_category:
        fixed[:, -1] = 1.0
    n = len(terms) + spare
    first, second = (
        exchange(terms, region, n, criterion, rng=seeded(seed), starts=8, fixed_runs=fixed)
        for _ in range(2)
    )
    assert first.runs.tobytes() == second.runs.tobytes()
    assert first.runs.shape == (n, region.k)
    assert first.runs[:spare].tobytes() == fixed.tobytes()
    new = first.runs[spare:]
    assert region.permits(new).all()
    assert all(np.isin(new[:, j], region.levels[j]).all() for j in range(region.k))


def test_order_of_runs_does_not_matter(rng):
    design = exchange(SECOND, SQUARE, 9, rng=rng, starts=32)
    bound = continuous_design(SECOND, SQUARE)
    shuffled = rng.permutation(design.runs)
    assert bound.efficiency(shuffled) == pytest.approx(bound.efficiency(design.runs), rel=1e-12)
    assert bound.efficiency(design.runs)[0] == pytest.approx(design.information / bound.information)


def test_no_run_passes_a_limit_and_the_limit_is_used():
    region = Region([np.linspace(-1, 1, 21)] * 2, limits=([[1.0, 1.0]], [0.5]))
    design = exchange(SECOND, region, 8, rng=seeded())
    total = design.runs.sum(axis=1)
    assert total.max() == pytest.approx(0.5)
    bound = continuous_design(SECOND, region)
    assert 0.97 < bound.efficiency(design.runs)[0] <= 1 + bound.gap


def test_a_rule_of_the_printer_is_kept_with_blocks_and_whole_plots():
    def reachable(runs: np.ndarray) -> np.ndarray:
        return (runs**2).sum(axis=1) <= 1.5

    region = Region([np.linspace(-1, 1, 9)] * 3, allowed=reachable)
    labels = plot_labels(15, 6)
    plan = split_plot_exchange(
        polynomial_terms(region), region, labels, [0], rng=seeded(), starts=64
    )
    assert reachable(plan.runs).all()
    assert all(np.ptp(plan.runs[labels == w, 0]) == 0 for w in range(6))
    blocked = exchange(
        polynomial_terms(region), region, 15, rng=seeded(), starts=64, blocks=np.arange(15) % 3
    )
    assert reachable(blocked.runs).all()


def test_two_hard_factors_may_change_together_or_apart():
    region = Region([[-1, 0, 1]] * 3)
    terms = polynomial_terms(region, "interactions")
    days, beds = np.repeat([0, 1, 2, 3], 4), np.repeat(np.arange(8), 2)
    design = exchange(terms, region, 16, rng=seeded(), starts=64, held={0: days, 1: beds})
    assert all(np.ptp(design.runs[days == d, 0]) == 0 for d in range(4))
    assert all(np.ptp(design.runs[beds == b, 1]) == 0 for b in range(8))
    assert np.unique(design.runs[:, 1]).size > 1


def test_new_runs_in_the_whole_plot_of_a_fixed_run_take_its_setting():
    region = Region([[-1, 0, 1], [-1, 1]])
    fixed = np.array([[0.13, 1.0]])
    labels = np.array([0, 0, 1, 1, 2, 2])
    plan = split_plot_exchange(
        [(0, 0), (1, 0), (0, 1)], region, labels, [0], rng=seeded(), fixed_runs=fixed
    )
    assert plan.runs[:2, 0].tolist() == [0.13, 0.13]


def test_added_runs_make_curvature_visible():
    """Corners and centre show that something is curved, not what: the axes must come in."""
    printed = np.array([[-1, -1], [1, -1], [-1, 1], [1, 1], [0, 0], [0, 0.0]])
    new = added_runs(SECOND, SQUARE, printed, 4, rng=seeded(), starts=64)
    assert new.shape == (4, 2)
    runs = np.vstack([printed, new])
    rows = term_rows(SQUARE, np.array(SECOND), runs)
    block = np.array([[1.0]] * 6 + [[-1.0]] * 4)
    assert np.linalg.matrix_rank(np.hstack([rows, block])) == 7


def test_progress_is_told_and_never_worsens():
    seen = []
    exchange(SECOND, SQUARE, 8, rng=seeded(), starts=96, progress=lambda *told: seen.append(told))
    done, most, best = zip(*seen, strict=True)
    assert list(done) == sorted(done)
    assert set(most) == {96}
    assert max(done) <= 96
    assert all(b <= a for a, b in pairwise(best))


def test_terms_of_the_floor_fit_in(rng):
    coding = Coding((CodedFactor("nozzle"), CodedFactor("spool", levels=("white", "pink", "grey"))))
    terms = expand_terms(coding, ["nozzle", "spool", "nozzle:spool", "nozzle^2"])
    region = Region([np.linspace(-1, 1, 5), 3], names=coding.names)
    numbers = term_numbers(coding, terms)
    basis = Basis(region, numbers)
    index = region.sample(20, rng)
    np.testing.assert_array_equal(
        basis.rows(index), model_matrix(coding, terms, region.values(index))
    )
    assert [basis.term_name(t) for t in (0, 1, 6)] == ["intercept", "nozzle", "nozzle^2"]


# --- refusals -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"n": 5}, "5 runs cannot estimate 6 terms. Add at least 1 run"),
        ({"n": 7, "blocks": [0, 0, 0, 1, 1, 2, 2]}, "6 terms and 3 blocks"),
        ({"fixed_runs": np.full((9, 2), 0.5)}, "9 fixed runs do not fit into 8"),
        ({"fixed_runs": [[0.0, np.nan]]}, "finite rows"),
        ({"fixed_runs": [[0.0, 0.0, 0.0]]}, "finite rows"),
        ({"criterion": "G"}, "use D or I"),
        ({"starts": 0}, "at least 1"),
        ({"blocks": [1, 2]}, "2 block labels for 8 runs"),
        ({"covariance": np.eye(3)}, "symmetric of shape"),
        ({"covariance": np.ones((8, 8))}, "positive definite"),
        ({"held": {0: [1, 1]}}, "2 labels for 8 runs"),
        ({"terms": [(0, 0), (0, 0)]}, "same term is given twice"),
        ({"terms": [(0,), (1,)]}, "one tuple a term with 2 numbers"),
        ({"terms": [(0, 0), (-1, 0)]}, "negative power"),
    ],
)
def test_what_cannot_be_asked(change, match):
    asked = {"terms": SECOND, "region": SQUARE, "n": 8, "criterion": "D", "rng": seeded(), **change}
    with pytest.raises(DesignError, match=match):
        exchange(**asked)


def test_a_region_without_points():
    nothing = Region([np.linspace(-1, 1, 21)] * 2, limits=([[1.0, 0.0]], [-2.0]))
    with pytest.raises(DesignError, match="No settable run meets all limits"):
        exchange(SECOND, nothing, 8, rng=seeded())
    large = Region([np.linspace(-1, 1, 21)] * 5, allowed=lambda x: np.zeros(len(x), dtype=bool))
    with pytest.raises(DesignError, match="No settable run meets all limits"):
        exchange(polynomial_terms(large, "main"), large, 8, rng=seeded())


def test_a_factor_that_cannot_move():
    region = Region(
        [np.linspace(-1, 1, 21)] * 2, limits=([[0.0, 1.0]], [-0.95]), names=("nozzle", "speed")
    )
    with pytest.raises(DesignError, match="speed cannot move within the limits"):
        exchange(SECOND, region, 8, rng=seeded())
    with pytest.raises(DesignError, match="speed cannot move"):
        Region([[-1, 1], [0.0, 0.0]], names=("nozzle", "speed"))


def test_terms_that_the_levels_cannot_tell_apart_are_named():
    region = Region([[-1, 1], [-1, 0, 1]], names=("nozzle", "speed"))
    with pytest.raises(DesignError, match=r"rank 5\): drop nozzle\^2"):
        exchange(SECOND, region, 8, rng=seeded())


def test_fixed_runs_that_contradict():
    region = Region([np.linspace(-1, 1, 21)] * 2, limits=([[1.0, 1.0]], [0.5]))
    fixed = np.array([[0.0, 0.0], [1.0, 1.0]])
    with pytest.raises(DesignError, match="fixed run 2 contradict"):
        exchange(SECOND, region, 8, rng=seeded(), fixed_runs=fixed)
    kept = exchange(
        SECOND, region, 8, rng=seeded(), starts=32, fixed_runs=fixed, fixed_may_break_limits=True
    )
    assert kept.runs[:2].tobytes() == fixed.tobytes()
    with pytest.raises(DesignError, match=r"fixed runs contradict each other: runs \[1, 2, 3\]"):
        exchange(
            SECOND, SQUARE, 8, rng=seeded(), fixed_runs=fixed, held={0: [0, 0, 0, 1, 1, 2, 2, 3]}
        )
    with pytest.raises(DesignError, match="level of x2 that does not exist"):
        exchange([(0, 0)], Region([[-1, 1], 2]), 3, rng=seeded(), fixed_runs=[[0.0, 5.0]])


def test_nothing_left_to_choose(rng):
    best = exchange(SECOND, SQUARE, 8, rng=rng, starts=32)
    same = exchange(SECOND, SQUARE, 8, rng=rng, fixed_runs=best.runs)
    assert same.information == pytest.approx(best.information)
    with pytest.raises(DesignError, match="no design was found that can estimate all terms"):
        exchange(SECOND, SQUARE, 8, rng=rng, fixed_runs=np.zeros((8, 2)))


def test_split_plots_that_cannot_be():
    region = Region([[-1, 0, 1]] * 2)
    with pytest.raises(
        DesignError, match="2 settings of the hard-to-change factors cannot estimate"
    ):
        split_plot_exchange(SECOND, region, [0] * 4 + [1] * 4, [0], rng=seeded())
    with pytest.raises(DesignError, match="every factor is hard to change"):
        split_plot_exchange(SECOND, region, [0] * 8, [0, 1], rng=seeded())
    with pytest.raises(DesignError, match="only factors 0 to 1"):
        split_plot_exchange(SECOND, region, [0] * 8, [4], rng=seeded())
    with pytest.raises(DesignError, match="variance ratio"):
        plot_covariance([0, 0, 1], -1.0)
    with pytest.raises(DesignError, match="for 4 runs"):
        plot_labels(4, 5)


def test_added_runs_refused():
    with pytest.raises(DesignError, match="1 added run; ask for at least 2"):
        added_runs(SECOND, SQUARE, np.zeros((6, 2)), 1, rng=seeded())
    with pytest.raises(DesignError, match="1 block labels for 6"):
        added_runs(SECOND, SQUARE, np.zeros((6, 2)), 2, rng=seeded(), printed_blocks=[1])


def test_an_answer_of_the_wrong_shape_from_the_printer_rule():
    region = Region([[-1, 1]] * 2, allowed=lambda x: True)
    with pytest.raises(DesignError, match="one true or false a run"):
        region.permits(np.zeros((3, 2)))
