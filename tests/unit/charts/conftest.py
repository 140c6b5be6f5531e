"""Small invented studies, fitted with numpy alone, for drawing."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from matplotlib.text import Text

from kit.bench.measured import Measured
from kit.charts import style
from kit.model.surface import LackOfFit, Surface, VarianceParts
from kit.model.tried import TriedRegion
from kit.study.description import Factor, Response, Study
from kit.terms import Coding, expand_terms, model_matrix
from kit.window.result import Choice, Prediction, Window

NOZZLE = Factor(name="nozzle", kind="nozzle_temperature", unit="degC", low=190, high=230, step=5)
SPEED = Factor(name="speed", kind="speed", unit="mm/s", low=40, high=120, step=10)
FAN = Factor(name="fan", kind="fan_duty", unit="%", low=20, high=100, step=10)
SPOOL = Factor(name="spool", kind="category", levels=("white", "pink"))

GLOSS = Response(name="gloss", unit="GU", **{"from": "gloss"}, lower=30)
WIDTH_ERROR = Response(
    name="width_error",
    unit="mm",
    **{"from": "dimension"},
    lower=-0.12,
    upper=0.12,
    label="width error",
)
STRENGTH = Response(name="strength", unit="MPa", **{"from": "three_point_bending"}, lower=55)

TRUTH = {
    "gloss": lambda x: (
        42 + 14 * x[:, 0] - 9 * x[:, 1] - 2 * x[:, 2] - 4 * x[:, 0] ** 2 + 2.5 * x[:, 0] * x[:, 1]
    ),
    "width_error": lambda x: (
        0.03 + 0.05 * x[:, 0] + 0.02 * x[:, 1] - 0.06 * x[:, 2] + 0.03 * x[:, 1] ** 2
    ),
    "strength": lambda x: 62 + 5 * x[:, 0] - 2 * x[:, 1] - 6 * x[:, 2] - 5 * x[:, 0] ** 2,
}
NOISE = {"gloss": 1.6, "width_error": 0.018, "strength": 1.4}


def face_centred(n_factors: int, centres: int) -> np.ndarray:
    """Corners, face centres and centre points in coded units."""
    corners = np.array(list(product((-1.0, 1.0), repeat=n_factors)))
    faces = np.vstack([sign * row for row in np.eye(n_factors) for sign in (-1, 1)])
    return np.vstack([corners, faces, np.zeros((centres, n_factors))])


def runs_table(
    study: Study, seed: int = 3, centres: int = 4, failed: str | None = "07"
) -> pd.DataFrame:
    """A composite over the study's scales (crossed with its categories), in random order, as read from a file."""
    coding = study.coding
    coded = face_centred(len(coding.continuous), centres) if coding.continuous else np.zeros((4, 0))
    level_sets = list(product(*(f.levels for f in coding.categories)))
    parts = []
    for levels in level_sets:
        columns = {f.name: f.decode(coded[:, i]) for i, f in enumerate(coding.continuous)}
        columns |= {
            f.name: [level] * len(coded) for f, level in zip(coding.categories, levels, strict=True)
        }
        parts.append(pd.DataFrame(columns))
    table = pd.concat(parts, ignore_index=True)[list(coding.names)]
    order = np.random.default_rng(seed).permutation(len(table))
    table = table.iloc[order].reset_index(drop=True)
    names = [f"{i + 1:02d}" for i in range(len(table))]
    half = (len(table) + 1) // 2
    return pd.DataFrame(
        {
            "run": names,
            "round": "first",
            "block": [1 if i < half else 2 for i in range(len(table))],
            "print_order": np.arange(1, len(table) + 1),
            **{name: table[name] for name in coding.names},
            **{f"{name}_actual": table[name] for name in coding.names},
            "status": ["failed" if n == failed else "printed" for n in names],
            "note": "",
        }
    )


def measured_of(study: Study, runs: pd.DataFrame, response: Response, seed: int = 11) -> Measured:
    """Three specimens a printed run, from the stated truth."""
    rng = np.random.default_rng(seed)
    printed = runs[runs["status"] == "printed"]
    coded = study.coding.code(printed[list(study.coding.names)])
    means = TRUTH.get(response.name, TRUTH["gloss"])(
        np.column_stack([coded, np.zeros((len(coded), 3))])
    )
    noise = NOISE.get(response.name, 1.6)
    rows = []
    for run, mean in zip(printed["run"], means + rng.normal(0, noise, len(means)), strict=True):
        for specimen, shift in zip("ABC", rng.normal(0, noise / 1.5, 3), strict=True):
            rows.append((run, specimen, mean + shift, 2, np.nan, ""))
    specimens = pd.DataFrame(
        rows, columns=["run", "specimen", "value", "readings", "u_repeat", "flags"]
    )
    prints = specimens.groupby("run", sort=False, as_index=False)["value"].mean()
    prints["specimens"], prints["readings"] = 3, 6
    variance = float(specimens.groupby("run")["value"].var().mean())
    return Measured(response, specimens, prints, variance, 2 * len(prints), specimens_per_print=3.0)


def surface_of(
    study: Study, runs: pd.DataFrame, measured: Measured, terms: str = "second_order"
) -> Surface:
    """Least squares by numpy."""
    coding: Coding = study.coding
    table = runs.merge(measured.prints[["run", "value"]], on="run")
    coded = coding.code(table[list(coding.names)])
    model = expand_terms(coding, terms)
    X = model_matrix(coding, model, coded)
    y = table["value"].to_numpy()
    unscaled = np.linalg.inv(X.T @ X)
    b = unscaled @ X.T @ y
    h = np.einsum("ij,jk,ik->i", X, unscaled, X)
    residual = y - X @ b
    df = len(y) - X.shape[1]
    s2 = float(residual @ residual / df)
    left_out = y - residual / (1 - h)
    s2_out = (df * s2 - residual**2 / (1 - h)) / (df - 1)
    observations = table[["run", "print_order", "block", *coding.names]].assign(
        value=y, fitted=X @ b, residual=residual, leverage=h,
        studentised=residual / np.sqrt(s2_out * (1 - h)), left_out=left_out,
    )  # fmt: skip
    total = float(np.sum((y - y.mean()) ** 2))
    return Surface(
        response=measured.response, coding=coding, terms=model, block_names=(), coefficients=b,
        covariance=s2 * unscaled, term_df=np.full(len(b), float(df)), unscaled=unscaled,
        residual_variance=s2, residual_df=float(df), observations=observations, not_estimable=(),
        alias_notes=(), r2=1 - df * s2 / total, r2_predicted=1 - float(np.sum((y - left_out) ** 2)) / total,
        lack_of_fit=LackOfFit(1.1, (5, 3), 0.5),
        variance=VarianceParts(s2, None, measured.specimen_variance, None),
        tried=TriedRegion(coding, coded), specimens_per_print=3.0,
        specimen_variance=measured.specimen_variance, specimen_df=float(measured.specimen_df), design=X,
    )  # fmt: skip


def chance(
    study: Study, surfaces: dict[str, Surface], coded: np.ndarray
) -> tuple[np.ndarray, dict]:
    """A rough chance to meet each requirement (normal), enough for a picture."""
    from scipy.stats import norm

    joint, alone = np.ones(len(coded)), {}
    for name, surface in surfaces.items():
        sd = np.sqrt(surface.residual_variance * 1.3)
        mean = surface.mean(coded)
        low, high = surface.response.lower, surface.response.upper
        p = np.ones(len(coded))
        p = p - (norm.cdf((low - mean) / sd) if low is not None else 0)
        p = p - (norm.sf((high - mean) / sd) if high is not None else 0)
        alone[name] = (p, mean, sd)
        joint = joint * p
    return joint, alone


def window_of(study: Study, surfaces: dict[str, Surface], confidence: float = 0.9) -> Window:
    """Search the printable settings one by one."""
    steps = {}
    for factor in study.factors:
        if factor.is_category:
            steps[factor.name] = factor.levels
        else:
            count = round((factor.high - factor.low) / factor.step)
            steps[factor.name] = tuple(
                float(factor.low + i * factor.step) for i in range(count + 1)
            )
    grid = pd.DataFrame(list(product(*steps.values())), columns=list(steps))
    coded = study.coding.code(grid)
    inside = next(iter(surfaces.values())).tried.contains(coded)
    grid, coded = grid[inside].reset_index(drop=True), coded[inside]
    joint, alone = chance(study, surfaces, coded)
    grid["probability"] = joint
    for name, (p, mean, _) in alone.items():
        grid[f"chance_{name}"], grid[f"mean_{name}"] = p, mean
    best = int(grid["probability"].idxmax())
    row = grid.iloc[best]
    predictions = {
        name: Prediction(float(mean[best]), float(mean[best] - 2 * sd), float(mean[best] + 2 * sd))
        for name, (_, mean, sd) in alone.items()
    }
    settings = {name: row[name] for name in steps}
    probability = float(row["probability"])
    choice = Choice(
        settings, probability, max(probability - 0.06, 0), min(probability + 0.02, 1), predictions,
        {name: float(p[best]) for name, (p, _, _) in alone.items()}, binding="gloss",
    )  # fmt: skip
    good = probability >= confidence
    ranges = {}
    if good:
        for name in steps:
            ahead = steps[name][min(steps[name].index(settings[name]) + 1, len(steps[name]) - 1)]
            ranges[name] = (settings[name], settings[name] if isinstance(ahead, str) else ahead)
    return Window(
        confidence, choice if good else None, None if good else choice,
        float((joint >= confidence).mean()), ranges, grid, steps, joint=True,
    )  # fmt: skip


class Case:
    """A study with everything that is drawn from it."""

    def __init__(
        self, factors, responses, *, confidence: float = 0.9, terms: str = "second_order", **plan
    ) -> None:
        self.study = Study(title="Satin or gloss", factor=factors, response=responses)
        self.runs = runs_table(self.study, **plan)
        self.measured = {
            r.name: measured_of(self.study, self.runs, r, 11 + i) for i, r in enumerate(responses)
        }
        self.surfaces = {
            n: surface_of(self.study, self.runs, m, terms) for n, m in self.measured.items()
        }
        self.window = window_of(self.study, self.surfaces, confidence)
        self.choice = self.window.recommended or self.window.best_compromise


@pytest.fixture(scope="session")
def three() -> Case:
    """Three factors, three responses, one failed print."""
    return Case((NOZZLE, SPEED, FAN), (WIDTH_ERROR, GLOSS, STRENGTH))


@pytest.fixture(scope="session")
def two() -> Case:
    return Case((NOZZLE, SPEED), (GLOSS, STRENGTH), failed=None)


@pytest.fixture(scope="session")
def one() -> Case:
    return Case((NOZZLE,), (GLOSS,), failed=None)


@pytest.fixture(scope="session")
def spools() -> Case:
    """Two scales and a category."""
    return Case((NOZZLE, SPEED, SPOOL), (GLOSS, STRENGTH), failed=None)


@pytest.fixture(scope="session")
def only_spools() -> Case:
    return Case((SPOOL,), (GLOSS,), failed=None, terms="main")


@pytest.fixture(scope="session")
def impossible() -> Case:
    """No setting meets a gloss of 60 GU."""
    return Case((NOZZLE, SPEED, FAN), (GLOSS.model_copy(update={"lower": 60.0}), STRENGTH))


@pytest.fixture(scope="session")
def odd() -> Case:
    """Long names, other alphabets, dollar signs."""
    long = Factor(
        name="temperature_of_the_nozzle_as_the_old_thermocouple_of_the_window_side_printer_says",
        unit="furlong per fortnight squared", low=-0.5, high=0.5, step=0.1,
    )  # fmt: skip
    level = "Überlängefarbbezeichnungohneleerzeichen«été$2$»żółć"
    colour = Factor(name="spool", kind="category", levels=(level, "Кремовый"))
    gloss = GLOSS.model_copy(
        update={"label": "Glanz äöü $x^2$ Überraschungsmessgrößenbezeichnung " * 3}
    )
    return Case((long, SPEED, colour), (gloss, STRENGTH), failed="03")


def drawn_texts(figure) -> list:
    """All texts that are really drawn: ticks beyond the axes' limits are not."""
    every = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]
    idle = set()
    for axes in figure.axes:
        for axis, (low, high) in (
            (axes.xaxis, sorted(axes.get_xlim())),
            (axes.yaxis, sorted(axes.get_ylim())),
        ):
            for tick in axis.get_major_ticks() + axis.get_minor_ticks():
                if not low - 1e-9 <= tick.get_loc() <= high + 1e-9:
                    idle |= {tick.label1, tick.label2}
    return [t for t in every if t not in idle]


def cut_off(figure) -> list[str]:
    """Name the texts that reach beyond the figure."""
    with style.drawing():
        figure.draw_without_rendering()
        renderer, frame = figure.canvas.get_renderer(), figure.bbox
        boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in drawn_texts(figure)]
    return [
        text for text, box in boxes
        if box.x0 < frame.x0 - 1 or box.x1 > frame.x1 + 1 or box.y0 < frame.y0 - 1 or box.y1 > frame.y1 + 1
    ]  # fmt: skip


@pytest.fixture
def uncut():
    """Assert that no text of a picture leaves it."""

    def check(picture) -> None:
        assert cut_off(picture.figure) == []

    return check
