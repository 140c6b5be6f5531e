"""Comparisons of levels: published data, reference libraries, what is said and what is refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pingouin
import pytest

from kit.bench.measured import Measured
from kit.errors import ModelError
from kit.model.compare import Comparison, compare_levels
from kit.model.pairs import LESS, MORE, OPEN
from kit.study.description import ModelChoice, Study
from tests.unit.model.builders import make_measured, make_runs, make_study


def compared(
    table: pd.DataFrame,
    factors: dict[str, tuple],
    value: str,
    factor: str,
    *,
    margin: float | None = None,
    against: str = "",
    block: list[int] | None = None,
    random: tuple[str, ...] = (),
    terms: str = "interactions",
    blocks: str = "auto",
) -> Comparison:
    study = make_study(factors, terms=terms, blocks=blocks)
    study = _with_random(study, random)
    runs = make_runs(table[list(factors)], block=block)
    for group in random:
        runs[group] = table[group].to_numpy()
    measured = _margin(make_measured(study, runs, table[value].tolist()), margin)
    return compare_levels(measured, runs, study, factor, against=against)


def _with_random(study: Study, random: tuple[str, ...]) -> Study:
    model = ModelChoice(terms=study.model.terms, blocks=study.model.blocks, random=random)
    return study.model_copy(update={"model": model})


def _margin(measured: Measured, margin: float | None) -> Measured:
    return replace(measured, response=measured.response.model_copy(update={"margin": margin}))


def three_spools(rng: np.random.Generator, spread: tuple[float, ...] = (1, 1, 3)) -> pd.DataFrame:
    parts = [
        pd.DataFrame({"spool": name, "y": 50 + i + s * rng.normal(size=6)})
        for i, (name, s) in enumerate(zip("abc", spread, strict=True))
    ]
    return pd.concat(parts, ignore_index=True)


SPOOLS = {"spool": ("a", "b", "c")}


def test_welch_and_games_howell_agree_with_a_reference_library(rng: np.random.Generator) -> None:
    table = three_spools(rng)
    found = compared(table, SPOOLS, "y", "spool")
    overall = pingouin.welch_anova(data=table, dv="y", between="spool").iloc[0]
    assert (found.F, found.p) == pytest.approx((overall["F"], overall["p_unc"]))
    pairs = pingouin.pairwise_gameshowell(data=table, dv="y", between="spool")
    for ours, theirs in zip(found.pairs, pairs.to_dict("records"), strict=True):
        assert (ours.first, ours.second) == (theirs["A"], theirs["B"])
        assert ours.estimate == pytest.approx(-theirs["diff"])
        assert ours.std_error == pytest.approx(theirs["se"])
        assert ours.df == pytest.approx(theirs["df"])
        assert ours.p == pytest.approx(theirs["pval"], abs=1e-5)


def test_two_levels_are_welchs_t(rng: np.random.Generator) -> None:
    table = three_spools(rng).query("spool != 'b'").reset_index(drop=True)
    (pair,) = compared(table, {"spool": ("a", "c")}, "y", "spool").pairs
    a, c = (table.loc[table["spool"] == s, "y"].to_numpy() for s in "ac")
    want = pingouin.ttest(c, a, correction=True).iloc[0]
    assert pair.p == pytest.approx(want["p_val"], abs=1e-6)
    assert (pair.low, pair.high) == pytest.approx((pair.low_all, pair.high_all), rel=1e-5)


def test_open_compression_data(open_prints: Path) -> None:
    # Kholil et al., J. Phys. Conf. Ser. 2377 (2022) 012008, table 2 (CC BY 3.0).
    table = pd.read_csv(open_prints / "compression_material_layer.csv")
    table = table.assign(layer=table["layer_mm"].astype(str))
    levels = {"material": ("abs", "pla"), "layer": ("0.15", "0.25", "0.35")}
    y = "max_strength_mpa"
    (pair,) = compared(table, {"material": levels["material"]}, y, "material", margin=5).pairs
    assert pair.estimate / pair.std_error == pytest.approx(36.715, abs=5e-4)
    assert pair.df == pytest.approx(27.648, abs=5e-4)
    assert (pair.low, pair.high) == pytest.approx((27.27, 30.49), abs=5e-3)
    assert pair.verdict == MORE
    both = compared(table, levels, y, "material")
    assert (both.F, both.df[1]) == pytest.approx((2070.107, 24), abs=5e-4)
    assert any("depend on it (p = 0.0041)" in note for note in both.notes)
    layer = compared(table, levels, y, "layer")
    assert (layer.F, layer.p) == pytest.approx((2.53164, 0.10055), abs=5e-6)
    for material, published in {
        "pla": [0.1405, 0.9932, 0.1679],
        "abs": [0.9941, 0.0081, 0.0067],
    }.items():
        # Games & Howell take a scatter for each layer, the published p-values one for all: the same verdicts.
        mine = table[table["material"] == material].reset_index(drop=True)
        found = compared(mine, {"layer": levels["layer"]}, y, "layer")
        assert [p.p < 0.05 for p in found.pairs] == [v < 0.05 for v in published]


def test_verdicts_follow_the_intervals() -> None:
    base = np.array([-0.4, -0.1, 0.0, 0.1, 0.4, 0.2, -0.2, 0.0])
    table = pd.DataFrame({"spool": np.repeat(["a", "b", "c"], 8), "y": np.tile(base, 3)})
    table["y"] += table["spool"].map({"a": 50.0, "b": 50.1, "c": 56.0})
    small, large, _ = compared(table, SPOOLS, "y", "spool", margin=2.0).pairs
    assert (small.verdict, large.verdict) == (LESS, MORE)
    tight = compared(table, SPOOLS, "y", "spool", margin=0.2).pairs[0]
    assert tight.verdict == OPEN
    without = compared(table, SPOOLS, "y", "spool").pairs
    assert without[0].equivalence is None
    assert np.isnan(without[0].p_equivalence)


def test_many_against_one_asks_fewer_questions(rng: np.random.Generator) -> None:
    table = three_spools(rng)
    against = compared(table, SPOOLS, "y", "spool", against="b").pairs
    everything = compared(table, SPOOLS, "y", "spool").pairs
    assert [(p.first, p.second) for p in against] == [("b", "a"), ("b", "c")]
    wide = {frozenset((p.first, p.second)): p.high_all - p.low_all for p in everything}
    for pair in against:
        assert pair.high - pair.low < pair.high_all - pair.low_all
        assert pair.high_all - pair.low_all < wide[frozenset((pair.first, pair.second))]


def colours(rng: np.random.Generator, *, spools: int, spool_sd: float) -> pd.DataFrame:
    rows = [
        (colour, f"{colour}{s}", day)
        for colour in ("white", "pink")
        for s in range(spools)
        for day in range(1, 5)
    ]
    table = pd.DataFrame(rows, columns=["colour", "spool", "day"])
    luck = dict(zip(table["spool"].unique(), spool_sd * rng.normal(size=2 * spools), strict=True))
    table["y"] = 40 + table["spool"].map(luck) + 0.5 * rng.normal(size=len(table))
    return table


COLOURS = {"colour": ("white", "pink")}


def test_several_spools_are_a_sample_of_spools(rng: np.random.Generator) -> None:
    table = colours(rng, spools=4, spool_sd=2.0)
    found = compared(table, COLOURS, "y", "colour", random=("spool",), margin=3.0)
    (pair,) = found.pairs
    # Balanced: the comparison is that of the spools' means, with 6 degrees of freedom.
    means = table.pivot_table("y", "spool", "colour")
    pink, white = (means[c].dropna().to_numpy() for c in ("pink", "white"))
    error = np.sqrt((pink.var(ddof=1) + white.var(ddof=1)) / 4)
    assert pair.estimate == pytest.approx(pink.mean() - white.mean())
    assert pair.std_error == pytest.approx(error, rel=1e-6)
    assert pair.df == pytest.approx(6, rel=1e-6)
    assert found.nested == "spool"
    assert found.group_sds["spool"] > 0


def test_one_spool_a_colour_speaks_of_these_spools(rng: np.random.Generator) -> None:
    table = colours(rng, spools=1, spool_sd=0.0)
    found = compared(table, COLOURS, "y", "colour", random=("spool",))
    assert found.surface is None
    assert any("speaks of these spools" in note for note in found.notes)
    plain = compared(table, COLOURS, "y", "colour")
    assert any("stands for one spool" in note for note in plain.notes)


def test_days_as_blocks_take_out_what_days_differ_by(rng: np.random.Generator) -> None:
    table = colours(rng, spools=1, spool_sd=0.0)
    table["y"] += 5 * table["day"]
    blocked = compared(table, COLOURS, "y", "colour", block=table["day"].tolist())
    (pair,) = blocked.pairs
    paired = table.pivot_table("y", "day", "colour")
    want = pingouin.ttest(paired["pink"], paired["white"], paired=True).iloc[0]
    assert pair.p == pytest.approx(want["p_val"], abs=1e-6)
    assert compared(table, COLOURS, "y", "colour").pairs[0].std_error > 5 * pair.std_error


def test_refusals_name_the_remedy(rng: np.random.Generator) -> None:
    table = three_spools(rng)
    with pytest.raises(ModelError, match="is no category of this study"):
        compared(table, SPOOLS, "y", "nozzle")
    with pytest.raises(ModelError, match="has no level 'z'"):
        compared(table, SPOOLS, "y", "spool", against="z")
    single = pd.concat([table[table["spool"] == "a"], table[table["spool"] == "b"].head(1)])
    with pytest.raises(ModelError, match=r"b has only one print .* do not count as prints"):
        compared(single.reset_index(drop=True), SPOOLS, "y", "spool")
    with pytest.raises(ModelError, match="two levels of spool are needed"):
        compared(table[table["spool"] == "a"].reset_index(drop=True), SPOOLS, "y", "spool")
    flat = table.assign(y=table["y"].where(table["spool"] != "b", 50.0))
    with pytest.raises(ModelError, match="all prints of b gave the same value"):
        compared(flat, SPOOLS, "y", "spool")


# --------------------------------------------------------------------------------------------------
# What is claimed holds as often as it should


def count_claims(
    rng: np.random.Generator,
    make: Callable[[], pd.DataFrame],
    truth: dict[str, float],
    repeats: int,
    **how: object,
) -> tuple[float, float]:
    """Share of studies whose joint limits hold all true differences, and share that claim "less than margin" wrongly."""
    joint = wrong = 0
    for _ in range(repeats):
        found = compared(make(), **how)
        off = [truth[p.second] - truth[p.first] for p in found.pairs]
        joint += all(p.low_all <= d <= p.high_all for p, d in zip(found.pairs, off, strict=True))
        wrong += any(
            p.verdict == LESS and abs(d) >= found.margin
            for p, d in zip(found.pairs, off, strict=True)
        )
    return joint / repeats, wrong / repeats


@pytest.mark.slow
def test_joint_limits_and_equivalence_claims_for_unequal_spools(rng: np.random.Generator) -> None:
    truth = {"a": 0.0, "b": 2.0, "c": 0.0}

    def make() -> pd.DataFrame:
        parts = [
            pd.DataFrame({"spool": s, "y": 50 + truth[s] + sd * rng.normal(size=n)})
            for s, sd, n in zip("abc", (0.5, 1.0, 1.5), (4, 6, 8), strict=True)
        ]
        return pd.concat(parts, ignore_index=True)

    how = {"factors": SPOOLS, "value": "y", "factor": "spool", "margin": 2.0}
    joint, wrong = count_claims(rng, make, truth, 250, **how)
    assert 0.91 < joint < 0.995
    assert wrong < 0.09  # the true difference lies on the margin


@pytest.mark.slow
def test_joint_limits_and_equivalence_claims_for_sampled_spools(rng: np.random.Generator) -> None:
    truth = {"white": 0.0, "pink": 0.0}

    def make() -> pd.DataFrame:
        return colours(rng, spools=4, spool_sd=1.0)

    how = {
        "factors": COLOURS,
        "value": "y",
        "factor": "colour",
        "random": ("spool",),
        "margin": 2.0,
    }
    joint, _ = count_claims(rng, make, truth, 150, **how)
    assert 0.90 < joint < 0.995
    shifted = {"white": 0.0, "pink": 2.0}

    def moved() -> pd.DataFrame:
        table = colours(rng, spools=4, spool_sd=1.0)
        return table.assign(y=table["y"] + 2.0 * (table["colour"] == "pink"))

    _, wrong = count_claims(rng, moved, shifted, 150, **how)
    assert wrong < 0.11
