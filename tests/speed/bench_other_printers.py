"""Chance averaged over other printers on 41^3 settings: extended axis against nine differences a setting.

Three second-order surfaces in four factors (the fourth held), independent and correlated, and the search for the
largest box on the result. Ratios to the plain routes in the same run. Usage: python -m tests.speed.bench_other_printers
"""

from __future__ import annotations

from statistics import median
from time import perf_counter

import numpy as np

from kit.study.description import Factor, WindowChoice
from kit.terms import expand_terms, model_matrix
from kit.window.box import largest_box
from kit.window.printers import average_chance
from kit.window.probability import forecast
from tests.unit.window.made import GLOSS, STRENGTH, WIDTH, composite, fit_by_hand, made_study

SIDE = 41


def surfaces_in_four():
    factors = (
        Factor(name="nozzle", kind="nozzle_temperature", unit="degC", low=190, high=230, step=1),
        Factor(name="speed", kind="speed", unit="mm/s", low=40, high=120, step=2),
        Factor(name="fan", kind="fan_duty", unit="%", low=20, high=100, step=2),
        Factor(name="bed", kind="bed_temperature", unit="degC", low=50, high=70, step=1),
    )
    study = made_study(factors, [GLOSS, WIDTH, STRENGTH], window=WindowChoice(other_printers=True))
    points = composite(4, centre=6)
    X = model_matrix(study.coding, expand_terms(study.coding, "second_order"), points)
    rng = np.random.default_rng(5)
    truth = rng.normal(0, 1, (X.shape[1], 3)) * [4, 0.03, 3]
    truth[0] = [42, 0.0, 66]
    y = X @ truth + rng.normal(0, 1, (len(X), 3)) * [2, 0.02, 1.5]
    return fit_by_hand(
        study, points, dict(zip(("gloss", "width", "strength"), y.T, strict=True))
    ), study


def settings() -> np.ndarray:
    axis = np.linspace(-1, 1, SIDE)
    grid = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    return np.column_stack([grid, np.zeros(len(grid))])


def timed(run, times: int = 3) -> tuple[float, object]:
    spent, value = [], None
    for _ in range(times):
        start = perf_counter()
        value = run()
        spent.append(perf_counter() - start)
    return median(spent), value


def nine_nodes(surfaces, study, coded, *, joint: bool) -> np.ndarray:
    """The plain route: nine Gauss-Hermite differences, every setting anew."""
    x, w = np.polynomial.hermite_e.hermegauss(9)
    w = w / w.sum()
    total = np.zeros(len(coded))
    for node, weight in zip(x, w, strict=True):
        moved = coded.copy()
        moved[:, 0] += node * study.printer.thermometer_offset / 1.96 / 20
        inside = np.abs(moved[:, 0]) <= 1
        total[inside] += weight * forecast(surfaces, moved[inside], joint=joint).chance()
    return total


def main() -> None:
    surfaces, study = surfaces_in_four()
    coded = settings()
    for joint in (False, True):
        word = "correlated" if joint else "independent"
        seconds, average = timed(
            lambda j=joint: average_chance(surfaces, study, coded, joint=j), 1 if joint else 3
        )
        plain, rough = timed(lambda: nine_nodes(surfaces, study, coded, joint=False), 1)
        off = "" if joint else f"; nine nodes are off by up to {np.abs(average - rough).max():.3f}"
        print(
            f"{word}: {seconds:.2f} s, {plain / seconds:.1f} x as fast as nine independent differences ({plain:.2f} s){off}"
        )
    cube = average.reshape(SIDE, SIDE, SIDE)
    inside = cube >= np.quantile(cube, 0.8)
    start = np.unravel_index(cube.argmax(), cube.shape)
    axis = np.linspace(-1, 1, SIDE)
    seconds, _ = timed(lambda: largest_box(inside, start, [axis] * 3))
    print(f"largest box: {seconds:.2f} s")


if __name__ == "__main__":
    main()
