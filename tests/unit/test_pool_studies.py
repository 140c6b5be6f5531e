"""From folders of studies on several printers to the chance on a new one."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import special

from kit.cli import main
from kit.errors import ModelError
from kit.pool import pool
from kit.pool_frame import shared_frame, summarise
from kit.report.pooled import pool_studies
from kit.study.read import read_study

STUDY = """title = "Gloss and width on {printer}"
[material]
polymer = "{polymer}"
[printer]
name = "{printer}"
[[factor]]
name = "nozzle"
kind = "nozzle_temperature"
unit = "degC"
low = {low}
high = {high}
step = 5
[[factor]]
name = "fan"
kind = "fan_duty"
unit = "%"
low = 20
high = 100
step = 20
[[response]]
name = "gloss"
unit = "GU"
from = "direct"
lower = {gloss}
[[response]]
name = "width"
unit = "mm"
from = "direct"
upper = 20.4
[model]
terms = "second_order"
"""
SD = {"gloss": (3.0, 1.0), "width": (0.05, 0.03)}
"""Invented: SD between printers and between prints."""


def truth(nozzle: np.ndarray, fan: np.ndarray) -> dict[str, np.ndarray]:
    x, z = (nozzle - 210) / 20, (fan - 60) / 40
    return {"gloss": 48 + 8 * x - 3 * x**2, "width": 20.1 + 0.1 * x - 0.1 * z + 0.03 * x * z}


def write_study(folder: Path, printer: str, rng: np.random.Generator, **changes: object) -> Path:
    """Write a study of eleven prints on an invented printer."""
    words = {"printer": printer, "polymer": "PLA", "low": 190, "high": 230, "gloss": 40, **changes}
    low, high = float(words["low"]), float(words["high"])  # type: ignore[arg-type]
    x, z = np.array([(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)] + [(0, 0)] * 2).T
    nozzle, fan = (low + high) / 2 + x * (high - low) / 2, 60 + 40 * z
    folder.mkdir(parents=True)
    (folder / "study.toml").write_text(STUDY.format(**words), encoding="utf-8")
    n, order = len(nozzle), rng.permutation(len(nozzle)) + 1
    runs = [f"{i + 1:02d},surface,1,{order[i]},{nozzle[i]:g},{fan[i]:g},printed," for i in range(n)]
    rows = []
    for name, mean in truth(nozzle, fan).items():
        between, within = SD[name]
        values = mean + rng.normal(0, between) + rng.normal(0, within, n)
        unit = {"gloss": "GU", "width": "mm"}[name]
        rows += [f"{i + 1:02d},A,{name},{values[i]:.3f},{unit},1,,,," for i in range(n)]
    head = "run,round,block,print_order,nozzle,fan,status,note"
    (folder / "runs.csv").write_text("\n".join([head, *runs, ""]), encoding="utf-8")
    head = "run,specimen,quantity,value,unit,repeat,operator,instrument,excluded,note"
    (folder / "readings.csv").write_text("\n".join([head, *rows, ""]), encoding="utf-8")
    return folder


@pytest.fixture
def space(tmp_path: Path, rng: np.random.Generator) -> Path:
    for i in range(5):
        write_study(tmp_path / "space" / f"s{i}", f"Printer {'ABCDE'[i]}", rng)
    return tmp_path / "space"


def test_equals_one_mixed_model_on_all_rows(space: Path) -> None:
    """Reference: the mixed model fitted to the rows of all studies (checked itself against published cases)."""
    from kit.model.kenward_roger import satterthwaite
    from kit.model.reml import fit_reml
    from kit.model.small_sample import future_variance
    from kit.terms import expand_terms, model_matrix

    folders = sorted(space.iterdir())
    frame, unfit = shared_frame({f.name: read_study(f) for f in folders})
    assert not unfit
    answer = pool([summarise(f, frame) for f in folders], frame)
    tables = []
    for label, folder in enumerate(folders):
        readings = pd.read_csv(folder / "readings.csv", dtype={"run": str})
        runs = pd.read_csv(folder / "runs.csv", dtype={"run": str})
        tables.append(readings.merge(runs, on="run").assign(label=label))
    rows = pd.concat(tables)
    at = frame.coding.code({n: [v] for n, v in answer.settings.items()})
    terms = expand_terms(frame.coding, frame.model.terms)
    for name, limits in {"gloss": (40.0, np.inf), "width": (-np.inf, 20.4)}.items():
        mine = rows[rows["quantity"] == name]
        X = model_matrix(frame.coding, terms, frame.coding.code(mine[["nozzle", "fan"]]))
        fit = fit_reml(mine["value"].to_numpy(), X, [mine["label"].to_numpy()])
        x = model_matrix(frame.coding, terms, at)
        future = future_variance(satterthwaite(fit), x)
        mean, scale, df = float(x[0] @ fit.coefficients), np.sqrt(future.variance[0]), future.df[0]
        low, high = (special.stdtr(df, (limit - mean) / scale) for limit in limits)
        assert answer.alone[name] == pytest.approx(high - low, abs=1e-3)
        assert answer.between[name] ** 2 == pytest.approx(fit.components[0], rel=1e-2)
        assert answer.predictions[name].mean == pytest.approx(mean, abs=1e-3)


def test_order_of_studies_does_not_matter(space: Path) -> None:
    folders = sorted(space.iterdir())
    frame, _ = shared_frame({f.name: read_study(f) for f in folders})
    summaries = [summarise(f, frame) for f in folders]
    one, other = pool(summaries, frame), pool(summaries[::-1], frame)
    assert (one.settings, one.probability) == (other.settings, other.probability)


def test_command_writes_the_page_and_lists_what_was_left_out(
    space: Path, rng: np.random.Generator, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil_gloss(write_study(space / "worn", "Printer F", rng))
    write_study(space / "petg", "Printer G", rng, polymer="PETG")
    assert main(["pool", str(space)]) == 1
    out = capsys.readouterr().out
    assert "on a printer that nobody has tried" in out.replace("On", "on")
    assert "worn: left out\n  readings.csv:3:value" in out
    assert "petg: left out\n  it is about PETG; the others are about PLA" in out
    page = (space / "pool" / "index.html").read_text(encoding="utf-8")
    assert "Printer E" in page
    assert "Studies that were left out" in page
    numbers = json.loads((space / "pool" / "results.json").read_text(encoding="utf-8"))
    assert set(numbers["printers"]) == {f"Printer {c}" for c in "ABCDE"}
    assert main(["pool", str(space)]) == 1  # its own page is no study
    assert not list(space.glob(".*"))


def spoil_gloss(folder: Path) -> None:
    path = folder / "readings.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    cells = lines[2].split(",")
    cells[3] += " GU"
    lines[2] = ",".join(cells)
    path.write_text("\n".join([*lines, ""]), encoding="utf-8")


def test_two_printers_or_no_studies_are_refused(
    tmp_path: Path, rng: np.random.Generator, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("a", "b"):
        write_study(tmp_path / "few" / name, name, rng)
    assert main(["pool", str(tmp_path / "few")]) == 1
    assert "2 printers cannot say how printers differ" in capsys.readouterr().err
    (tmp_path / "none").mkdir()
    assert main(["pool", str(tmp_path / "none")]) == 1
    assert "nor a folder with studies" in capsys.readouterr().err


def test_what_passes_or_fails_is_refused(space: Path) -> None:
    folders = sorted(space.iterdir())
    frame, _ = shared_frame({f.name: read_study(f) for f in folders})
    summaries = [summarise(f, frame) for f in folders]
    gloss, width = frame.response
    passing = gloss.model_copy(update={"recipe": "pass_fail"})
    assert passing.passes_or_fails
    with pytest.raises(ModelError, match="cannot be pooled: gloss"):
        pool(summaries, frame.model_copy(update={"response": (passing, width)}))


def test_ranges_are_joined_and_the_tightest_requirement_holds(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    for name, low, gloss in (("a", 190, 40), ("b", 200, 44), ("c", 190, 42), ("d", 195, 40)):
        write_study(tmp_path / name, name, rng, low=low, high=low + 40, gloss=gloss)
    pooled = pool_studies(tmp_path, sorted(tmp_path.iterdir()))
    nozzle = pooled.answer.study.factor_named("nozzle")
    assert (nozzle.low, nozzle.high) == (190, 240)
    assert pooled.answer.study.response_named("gloss").lower == 44
    assert 195 <= float(pooled.answer.settings["nozzle"]) <= 235  # what three of them tried
    assert not pooled.left_out


def test_ranges_that_never_meet(tmp_path: Path, rng: np.random.Generator) -> None:
    for name, low in (("a", 190), ("b", 240), ("c", 290)):
        write_study(tmp_path / name, name, rng, low=low, high=low + 30)
    with pytest.raises(ModelError, match="hardly meet"):
        pool_studies(tmp_path, sorted(tmp_path.iterdir()))


def test_processes_give_the_same_as_one(space: Path) -> None:
    folders = sorted(space.iterdir())
    one = pool_studies(space, folders).answer
    many = pool_studies(space, folders, workers=2).answer
    assert one.probability == many.probability
    assert all((one.fits[n].coefficients == many.fits[n].coefficients).all() for n in one.fits)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_cluster_gives_the_same_as_this_machine(space: Path) -> None:
    distributed = pytest.importorskip("distributed")
    folders = sorted(space.iterdir())
    here = pool_studies(space, folders).answer
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None
    ) as cluster:
        there = pool_studies(space, folders, scheduler=cluster.scheduler_address).answer
    assert (here.settings, here.probability, here.share) == (
        there.settings,
        there.probability,
        there.share,
    )
    assert all((here.fits[n].components == there.fits[n].components).all() for n in here.fits)


@pytest.mark.slow
def test_stated_chance_holds_on_new_printers(tmp_path: Path) -> None:
    """At settings chosen beforehand the mean stated chance is near the share of new parts that are good."""
    from kit.terms import expand_terms, model_matrix

    rng, stated, happened = np.random.default_rng(11), [], []
    at = pd.DataFrame({"nozzle": [205.0], "fan": [60.0]})
    good = truth(at["nozzle"].to_numpy(), at["fan"].to_numpy())["gloss"][0]
    for trial in range(60):
        folders = [write_study(tmp_path / f"{trial}-{i}", f"P{i}", rng) for i in range(5)]
        frame, _ = shared_frame({f.name: read_study(f) for f in folders})
        fits = pool([summarise(f, frame) for f in folders], frame).fits
        x = model_matrix(
            frame.coding, expand_terms(frame.coding, frame.model.terms), frame.coding.code(at)
        )
        mean, scale, df = (float(v[0]) for v in fits["gloss"].new_printer(x))
        stated.append(special.stdtr(df, (mean - 44) / scale))
        happened.append(special.ndtr((good - 44) / np.hypot(*SD["gloss"])))
    assert np.mean(stated) == pytest.approx(np.mean(happened), abs=0.06)
