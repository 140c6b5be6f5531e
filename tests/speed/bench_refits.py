"""10,000 refits of a 20-run composite in three factors with the exact optimum in the box.

    OMP_NUM_THREADS=1 python -m tests.speed.bench_refits

Beside it the plain route, one refit and one bounded search after the other, on 100 of them. Seconds are this
machine's and noisy: quote the ratio.
"""

from __future__ import annotations

from time import perf_counter

import numpy as np
from scipy.optimize import minimize

from kit.model.refits import optima
from kit.model.second_order import second_order
from tests.unit.model.builders import coded_factors, composite, surface_of


def main() -> None:
    rng = np.random.default_rng(3)
    table = composite(k=3, axial=1.0, centre=6)
    x = table.to_numpy()
    y = (
        50
        + x @ [2, -1, 0.5]
        - 3 * x[:, 0] ** 2
        - 2 * x[:, 1] ** 2
        + x[:, 0] * x[:, 2]
        + rng.normal(size=20)
    )
    surface = surface_of(table.assign(y=y), coded_factors(3))
    times = []
    for _ in range(5):
        start = perf_counter()
        optima(surface, np.random.default_rng(1))
        times.append(perf_counter() - start)
    ours = min(times)
    form = second_order(surface)
    start = perf_counter()
    for _ in range(100):
        drawn = np.linalg.lstsq(surface.design, y + rng.normal(size=20), rcond=None)[0]
        b, B = form.slope_rows @ drawn, form.bend_rows @ drawn
        minimize(lambda p: -(p @ b + p @ B @ p), np.zeros(3), bounds=[(-1, 1)] * 3)  # noqa: B023
    plain = (perf_counter() - start) * 100
    print(f"batched: {ours:.3f} s; one by one: {plain:.1f} s; ratio {plain / ours:.0f}")


if __name__ == "__main__":
    main()
