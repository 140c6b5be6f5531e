from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from kit.errors import TransferError
from kit.study.description import Adopt, Material, Printer
from kit.window.offset import estimate_offset
from kit.window.offset_settings import correct_settings, more_prints
from kit.window.place_prints import place_prints
from kit.window.printers import average_chance, offset_sd
from kit.window.region import find_window
from kit.window.transfer import check_donor
from tests.unit.window.made import composite, demo_surfaces, fit_by_hand
from tests.unit.window.offset_simulation import one_study

SURFACES, STUDY = demo_surfaces(noise=0.6)
CHOICE = find_window(SURFACES, STUDY).recommended
SETTINGS = dict(CHOICE.settings) if CHOICE else {}


def printed(surfaces, coded, offset, bias, rng, *, scatter=1.0):
    """Prints of a printer whose nozzle is ``offset`` degC hotter and which adds ``bias``."""
    moved = coded.copy()
    moved[:, 0] += offset / 20
    return pd.DataFrame(
        {
            n: s.mean(moved)
            + bias.get(n, 0.0)
            + scatter * rng.normal(0, np.sqrt(s.residual_variance), len(coded))
            for n, s in surfaces.items()
        }
    )


def placed(prints: int = 4):
    settings, sd = place_prints(SURFACES, STUDY, prints, first=SETTINGS)
    return (
        settings,
        STUDY.coding.code({n: [s[n] for s in settings] for n in STUDY.coding.names}),
        sd,
    )


def test_a_hidden_offset_is_found(rng: np.random.Generator) -> None:
    _, coded, sd = placed(6)
    values = printed(SURFACES, coded, 8.0, {}, rng)
    found = estimate_offset(SURFACES, STUDY, coded, values, rng)
    low, high = found.interval
    assert low < 8.0 < high
    assert abs(found.mean - 8.0) < 5
    assert found.sd < 0.6 * offset_sd(STUDY)
    assert found.sd == pytest.approx(sd, rel=0.6)
    assert found.known_sd <= found.sd


def test_without_prints_what_is_believed_is_the_prior(rng: np.random.Generator) -> None:
    found = estimate_offset(
        SURFACES, STUDY, np.empty((0, 3)), pd.DataFrame(columns=list(SURFACES)), rng
    )
    assert found.mean == pytest.approx(0.0, abs=1e-9)
    assert found.sd == pytest.approx(offset_sd(STUDY), rel=0.01)
    at = STUDY.coding.code({n: [SETTINGS[n]] for n in STUDY.coding.names})
    unbiased = STUDY.model_copy(update={"adopt": Adopt(bias=0.0)})
    plain = estimate_offset(
        SURFACES, unbiased, np.empty((0, 3)), pd.DataFrame(columns=list(SURFACES)), rng
    )
    chance = plain.printers.chances(at).mean()
    assert chance == pytest.approx(average_chance(SURFACES, STUDY, at)[0], abs=0.01)


def test_posterior_of_a_straight_surface_is_the_textbook_one(rng: np.random.Generator) -> None:
    """Straight surface known almost exactly, no bias: normal prior times normal likelihood."""
    points = np.vstack([composite(3)] * 200)
    values = 40 + points @ [10.0, 0.0, 0.0] + rng.normal(0, 2.0, len(points))
    _, study = demo_surfaces()
    study = study.model_copy(update={"adopt": Adopt(bias=0.0)})
    surfaces = fit_by_hand(study, points, {"gloss": values}, terms="main")
    coded = np.array([[0.0, 0.0, 0.0], [-0.5, 0.2, 0.1], [0.3, -0.4, 0.0]])
    seen = pd.DataFrame({"gloss": surfaces["gloss"].mean(coded) + 3.0})
    found = estimate_offset(surfaces, study, coded, seen, rng)
    slope, sd, prior = 0.5, np.sqrt(surfaces["gloss"].residual_variance), offset_sd(study)
    precision = 1 / prior**2 + 3 * slope**2 / sd**2
    assert found.mean == pytest.approx(3 * slope * 3.0 / sd**2 / precision, abs=0.1)
    assert found.sd == pytest.approx(precision**-0.5, rel=0.03)


def test_a_straight_surface_cannot_tell_thermometer_from_bias(rng: np.random.Generator) -> None:
    points = np.vstack([composite(3)] * 20)
    values = 40 + points @ [10.0, 0.0, 0.0] + rng.normal(0, 1.0, len(points))
    _, study = demo_surfaces()
    study = study.model_copy(update={"adopt": Adopt(bias=20.0)})
    surfaces = fit_by_hand(study, points, {"gloss": values}, terms="main")
    coded = np.array([[0.0, 0.0, 0.0], [-0.5, 0.2, 0.1], [0.3, -0.4, 0.0], [0.5, 0, 0]])
    found = estimate_offset(surfaces, study, coded, printed(surfaces, coded, 6.0, {}, rng), rng)
    assert found.confounded
    assert found.correlation("gloss") < -0.9
    assert found.sd > 0.9 * offset_sd(study)
    assert found.known_sd < 0.3 * found.sd
    checked = study.model_copy(
        update={"adopt": Adopt(bias=20.0, thermometer=6.0, thermometer_sd=1.0)}
    )
    surer = estimate_offset(surfaces, checked, coded, printed(surfaces, coded, 6.0, {}, rng), rng)
    assert surer.sd < 1.1
    assert surer.mean == pytest.approx(6.0, abs=1.0)


def test_corrected_settings_are_at_least_as_good_as_the_donors(rng: np.random.Generator) -> None:
    _, coded, _ = placed(4)
    values = printed(SURFACES, coded, -12.0, {"gloss": -1.0}, rng)
    before = estimate_offset(SURFACES, STUDY, coded[:0], values.iloc[:0], rng)
    after = estimate_offset(SURFACES, STUDY, coded, values, rng)
    found = correct_settings(before, after, SETTINGS)
    assert found.probability >= found.donor_after - 0.01
    assert found.low <= found.probability <= found.high
    assert 0 <= found.donor_before <= 1
    more = more_prints(after, coded, rng)
    assert more.sd_then <= more.sd_now
    assert more.probability_then >= more.probability_now
    assert len(more.settings) == 3


def test_prints_are_placed_better_than_at_random() -> None:
    settings, _, sd = placed(5)
    assert settings[0] == SETTINGS
    rng = np.random.default_rng(4)
    from kit.window.place_prints import _Doubt, _inner_grid

    grid = _inner_grid(SURFACES, STUDY, offset_sd(STUDY), 0.0)
    doubt = _Doubt(SURFACES, STUDY, grid.coded, offset_sd(STUDY), 0.0, None)
    others = [np.sqrt(doubt.of(list(rng.integers(0, len(grid.index), 5)))) for _ in range(60)]
    assert sd <= np.quantile(others, 0.05)


def test_another_nozzle_or_polymer_is_refused() -> None:
    other = STUDY.model_copy(update={"printer": Printer(nozzle_diameter=0.6)})
    with pytest.raises(TransferError, match=r"0.4 mm nozzle, this printer has 0.6 mm"):
        check_donor(other, STUDY)
    pla = STUDY.model_copy(update={"material": Material(polymer="PLA")})
    petg = STUDY.model_copy(update={"material": Material(polymer="PETG")})
    with pytest.raises(TransferError, match="another polymer is another study"):
        check_donor(petg, pla)
    assert check_donor(pla.model_copy(update={"material": Material(polymer=" pla ")}), pla) == []
    assert "on trust" in check_donor(STUDY, pla)[0]


def test_other_factors_or_units_are_refused() -> None:
    fewer = STUDY.model_copy(update={"factor": STUDY.factor[:2]})
    with pytest.raises(TransferError, match="the donor varied fan"):
        check_donor(fewer, STUDY)
    with pytest.raises(TransferError, match="no factor of the donor's study"):
        check_donor(STUDY, fewer)
    inches = STUDY.response_named("width").model_copy(update={"unit": "in"})
    odd = STUDY.model_copy(update={"response": (inches,)})
    with pytest.raises(TransferError, match="measured in mm"):
        check_donor(odd, STUDY)
    layers = STUDY.model_copy(update={"printer": Printer(layer_height=0.3)})
    assert "layer height is 0.3 mm here" in " ".join(check_donor(layers, STUDY))


def test_no_difference_assumed_is_nothing_to_find(rng: np.random.Generator) -> None:
    sure = STUDY.model_copy(update={"printer": Printer(thermometer_offset=0.0)})
    with pytest.raises(TransferError, match="thermometer_offset = 0"):
        estimate_offset(SURFACES, sure, np.empty((0, 3)), pd.DataFrame(columns=list(SURFACES)), rng)


@pytest.mark.slow
@pytest.mark.parametrize("bias", [0.0, 2.0])
def test_offset_interval_covers_and_corrected_settings_reach_what_they_state(
    bias: float, rng: np.random.Generator
) -> None:
    """Hidden truths, donors' prints, hidden printers with and without bias; 4 prints each.

    Longer runs of this simulation: of 180 studies without bias 95 % intervals held in 96 of 100, of 180 with bias in 94 of 100;
    the stated chance at the corrected settings was on average 0.03 below the true one. Here a few studies only.
    """
    studies = [one_study(rng, bias) for _ in range(25)]
    assert (
        sum(one.covered for one in studies) >= 20
    )  # with 95 % coverage fewer come once in 1,000 times
    difference = np.array([one.stated - one.true for one in studies])
    assert difference.mean() < 0.03 + 2 * difference.std() / np.sqrt(len(studies))
