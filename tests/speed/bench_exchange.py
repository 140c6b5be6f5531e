"""Speed and quality of the exact-design search, beside the plain route, in one run.

    OMP_NUM_THREADS=1 python tests/speed/bench_exchange.py [factors ...]

Second-order models of 3 to 6 factors, n = 1.3 p runs (rounded up), 21-level grids. The plain route is
coordinate exchange as the textbook has it: one start at a time, at each setting every level tried by
the update formula, the inverse renewed after each change. It is given the time that the kit took.
Seconds are this machine's and noisy: quote the ratios.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from kit.design.basis import polynomial_terms
from kit.design.continuous import continuous_design
from kit.design.exchange import exchange
from kit.design.moments import region_moments, term_rows
from kit.design.region import Region

LEVELS = np.linspace(-1, 1, 21)
# best share of the bound seen with a compiled exchange, and the seconds in which a general-purpose
# library reached its lower one (.971 .953 .950 .923; .858 .856 .867 .823); from .13 to 1.3 s for D and
# .3 to 6 s for I, here spread evenly in the logarithm
BEST_SEEN = {"D": (0.977, 0.955, 0.959, 0.978), "I": (0.903, 0.919, 0.913, 0.888)}
LIBRARY_SECONDS = {"D": (0.13, 0.28, 0.60, 1.3), "I": (0.3, 0.81, 2.2, 6.0)}


def plain_start(terms, region, n, W, rng):
    """One start of plain coordinate exchange; the runs at its local optimum."""
    E = np.array(terms)
    runs = rng.choice(LEVELS, size=(n, region.k))
    rows = term_rows(region, E, runs)
    A = np.linalg.inv(rows.T @ rows)
    for _ in range(30):
        changed = False
        for i in range(n):
            for j in range(region.k):
                trial = np.repeat(runs[i][None], len(LEVELS), axis=0)
                trial[:, j] = LEVELS
                f = term_rows(region, E, trial)
                gain = plain_gain(A, W, f, rows[i])
                best = int(gain.argmax())
                if gain[best] > 1e-6:
                    runs[i, j], rows[i] = LEVELS[best], f[best]
                    A = np.linalg.inv(rows.T @ rows)
                    changed = True
        if not changed:
            break
    return runs


def plain_gain(A, W, f, old):
    d_cc = np.einsum("cp,pq,cq->c", f, A, f)
    d_ic = f @ A @ old
    d_ii = old @ A @ old
    if W is None:
        return (1 - d_ii) * (1 + d_cc) + d_ic**2 - 1
    Q = A @ W @ A
    w_cc, w_ic, w_ii = np.einsum("cp,pq,cq->c", f, Q, f), f @ Q @ old, old @ Q @ old
    share = d_ic / (1 + d_cc)
    rest = 1 - d_ii + d_ic * share
    left = w_ii - 2 * share * w_ic + share**2 * w_cc
    gain = (w_cc / (1 + d_cc) - left / np.where(rest > 1e-9, rest, 1)) / np.sum(A * W)
    return np.where(rest > 1e-9, gain, -np.inf)


def median_time(work, repeats=3):
    """Call ``work(seed)`` a few times; the median seconds and all results."""
    seconds, results = [], []
    for seed in range(1, repeats + 1):
        begin = time.perf_counter()
        results.append(work(seed))
        seconds.append(time.perf_counter() - begin)
    return float(np.median(seconds)), results


def bench(k, criterion):
    region = Region([LEVELS] * k)
    terms = polynomial_terms(region)
    n = int(np.ceil(1.3 * len(terms)))
    W = region_moments(region, terms) if criterion == "I" else None
    begin = time.perf_counter()
    bound = continuous_design(terms, region, criterion)
    bound_seconds = time.perf_counter() - begin
    which = int(criterion == "I")

    seconds, designs = median_time(
        lambda seed: exchange(terms, region, n, criterion, rng=np.random.default_rng(seed))
    )
    found = sorted(bound.efficiency(d.runs)[which] for d in designs)
    starts = float(np.median([d.starts for d in designs]))

    rng = np.random.default_rng(1)
    plain, begin = [], time.perf_counter()
    while not plain or time.perf_counter() - begin < seconds:
        plain.append(bound.efficiency(plain_start(terms, region, n, W, rng))[which])
    plain_ms = 1e3 * (time.perf_counter() - begin) / len(plain)
    kit_ms = 1e3 * seconds / starts

    best, library = BEST_SEEN[criterion][k - 3], LIBRARY_SECONDS[criterion][k - 3]
    print(
        f"{criterion} {k} {n:4d} {seconds:7.2f} {seconds / library:9.2f}"
        f"   {found[0]:.4f} {found[1]:.4f} {found[-1]:.4f}  {best:.3f} {found[0] / best - 1:+8.2%}"
        f"   {kit_ms:7.2f} {plain_ms:8.1f} {plain_ms / kit_ms:7.1f}   {max(plain):.4f}"
        f"   {bound_seconds:6.2f} {bound.gap:8.1e}",
        flush=True,
    )


def main():
    factors = [int(a) for a in sys.argv[1:]] or [3, 4, 5, 6]
    print(
        "      runs  seconds  /library   lowest median best    seen  lowest/seen  ms a start: kit, plain, ratio  plain's best  bound: s, gap"
    )
    for criterion in ("D", "I"):
        for k in factors:
            bench(k, criterion)


if __name__ == "__main__":
    main()
