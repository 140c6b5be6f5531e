"""What a plan can tell: against closed forms, the fit itself, and published alias structures."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t as student

from kit.design.aliases import aliases, mixed_groups
from kit.design.choose import choose_design, plan_runs
from kit.design.precision import assess_plan, region_points
from kit.terms import CodedFactor, Coding, expand_terms, model_matrix
from tests.reference.cases import load_case
from tests.unit.design.studies import BED, FAN, NOZZLE, SPEED, SPOOL, study


def assessed(**design: object) -> object:
    asked = study(**design).with_planned_terms()
    return assess_plan(asked, choose_design(asked))


def test_effects_of_a_replicated_factorial_have_their_textbook_standard_error() -> None:
    found = assessed(family="full_factorial", replicates=2, centre_points=0, terms="interactions")
    for effect in found.effects:
        assert effect.sd == pytest.approx(2 / np.sqrt(16))
        assert effect.df == 9
        assert effect.inflation == pytest.approx(1)
        assert effect.half_width == pytest.approx(student.ppf(0.975, 9) * 0.5)
    assert found.leverage.sum() == pytest.approx(7)


def test_published_variances_of_box_behnken() -> None:
    case = load_case("t04_box_behnken_3_5")
    found = assessed(family="box_behnken")
    variance = {e.term.name: (e.sd / e.scale) ** 2 for e in found.effects}
    case.check("k=3: var(linear)/sigma^2", variance["nozzle"])
    case.check("k=3: var(quadratic x1^2)/sigma^2", variance["nozzle^2"])
    case.check(
        "k=3: scaled prediction variance n*v at origin", 15 * found.variance(np.zeros((1, 3)))[0]
    )


def test_fixed_blocks_cost_degrees_of_freedom() -> None:
    plain = assessed(family="central_composite", replicates=2)
    blocked = assessed(family="central_composite", replicates=2, blocks=2)
    assert blocked.df == plain.df - 1


def test_whole_plots_are_what_hard_to_change_effects_are_judged_by() -> None:
    asked = study(BED, NOZZLE, FAN, family="split_plot", runs=20, changes=8)
    found = assess_plan(asked, choose_design(asked))
    by_name = {e.term.name: e for e in found.effects}
    assert by_name["bed"].df == 8 - 3
    assert by_name["nozzle"].df == 20 - 8 - 7
    ignoring = assess_plan(
        asked.model_copy(update={"model": asked.model.model_copy(update={"blocks": "none"})}),
        choose_design(asked),
    )
    plain = {e.term.name: e for e in ignoring.effects}
    assert by_name["bed"].half_width > 1.2 * plain["bed"].half_width


def test_half_widths_are_those_that_a_simulation_gives(rng: np.random.Generator) -> None:
    found = assessed(family="central_composite")
    X = found.X
    y = rng.normal(size=(2000, len(X)))
    b = y @ np.linalg.pinv(X).T
    sd = b.std(axis=0)
    for i, effect in enumerate(found.effects, start=1):
        assert effect.scale * sd[i] == pytest.approx(effect.sd, rel=0.06)


def test_failed_runs_do_not_count() -> None:
    asked = study(family="central_composite")
    runs = choose_design(asked)
    runs.loc[0, "status"] = "failed"
    assert len(assess_plan(asked, runs).coded) == 17


def test_the_region_keeps_to_the_limits_and_weighs_levels_alike() -> None:
    points = region_points(study(NOZZLE, SPEED, SPOOL, limits=("nozzle + 0.25*speed <= 250",)))
    natural = 210 + 20 * points[:, 0] + 0.25 * (80 + 40 * points[:, 1])
    assert natural.max() <= 250 + 1e-6
    assert (points[:, 2] == 1).mean() == pytest.approx(0.5, abs=0.02)
    assert 0.8 < len(points) / 4096 < 0.999


def test_alias_groups_of_the_published_filtration_fraction() -> None:
    case = load_case("f05_filtration_2_7_4")
    table = case.table()
    names = [c for c in table.columns if c.startswith("x")]
    coding = Coding(tuple(CodedFactor(n) for n in names))
    coded = table[names].to_numpy(dtype=float)
    groups = mixed_groups(coding, expand_terms(coding, "interactions"), coded)
    assert len(groups) == 7
    assert all(len(g) == 4 and ":" not in g[0] and all(":" in n for n in g[1:]) for g in groups)
    y = table[next(c for c in table.columns if c not in names and c != "run")].to_numpy(float)
    X = model_matrix(coding, expand_terms(coding, "main"), coded)
    effects = 2 * np.linalg.solve(X.T @ X, X.T @ y)
    for i, name in enumerate(names, start=1):
        case.check(f"effect {name}", effects[i])


def test_the_alias_matrix_is_what_a_hidden_effect_does_to_the_fit() -> None:
    asked = study(family="plackett_burman", runs=12).with_planned_terms()
    found = assess_plan(asked, plan_runs(asked).runs)
    hidden = {a.term: a.share for a in found.aliases if a.other == "nozzle:speed"}
    terms = expand_terms(asked.coding, ["nozzle:speed"])
    y = model_matrix(asked.coding, terms, found.coded)[:, 1]
    b = np.linalg.lstsq(found.X, y, rcond=None)[0]
    for i, term in enumerate(found.terms):
        if term.order and abs(b[i]) > 0.011:
            assert hidden[term.name] == pytest.approx(b[i])
    assert {round(abs(a.share), 3) for a in found.aliases if ":" in a.other} == {0.333}


def test_nothing_is_mixed_up_in_a_composite() -> None:
    found = assessed(family="central_composite")
    assert found.aliases == ()
    assert found.groups == ()
    assert found.lost == ()


def test_aliases_need_terms_outside_the_model() -> None:
    coding = Coding((CodedFactor("a"),))
    coded = np.array([[-1.0], [0.0], [1.0]])
    assert aliases(coding, expand_terms(coding, "second_order"), coded) == ()
