"""The comparison from a study folder to its page: the demo's truth is found, and nothing is called the same."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from kit.errors import ModelError
from kit.model.pairs import DIFFERS, LESS, MORE, OPEN
from kit.report.comparison import CompareStudy, compare_results, compare_study, needed_prints
from kit.report.document import flatten
from kit.report.show_compare import (
    show_compare_answer,
    show_compare_checks,
    show_differences,
    show_levels,
    show_margins,
    show_prints_needed,
)
from tests.demo_data import DATA, tables_of

DEMO = DATA / "colours-and-blend"
TRUTH = {
    ("colour", "gloss"): {"pink": -0.8, "green": -6.5},
    ("colour", "strength"): {"pink": -0.5, "green": -1.0},
    ("blend", "gloss"): {"toughened": -9.0},
    ("blend", "strength"): {"toughened": -11.0},
}


@pytest.fixture(scope="module")
def demo() -> CompareStudy:
    return compare_study(DEMO)


def test_demo_is_what_its_truth_and_seed_make() -> None:
    for name, text in tables_of(DEMO).items():
        assert (DEMO / name).read_text(encoding="utf-8") == text


def test_intervals_hold_the_truth_behind_the_demo(demo: CompareStudy) -> None:
    for key, truth in TRUTH.items():
        for pair in demo.comparisons[key].pairs:
            want = truth[pair.second] - truth.get(pair.first, 0.0)
            assert pair.low_all < want < pair.high_all


def test_verdicts_agree_with_the_truth(demo: CompareStudy) -> None:
    for key, truth in TRUTH.items():
        found = demo.comparisons[key]
        for pair in found.pairs:
            beyond = abs(truth[pair.second] - truth.get(pair.first, 0.0)) > found.margin
            assert pair.verdict in ((MORE, DIFFERS, OPEN) if beyond else (LESS, DIFFERS, OPEN))
    assert {p.verdict for c in demo.comparisons.values() for p in c.pairs} >= {MORE, LESS, OPEN}


def test_margin_stands_before_the_differences_and_nothing_is_the_same(demo: CompareStudy) -> None:
    parts = [show_compare_answer(demo), show_margins(demo), show_differences(demo)]
    parts += [show_levels(demo), show_prints_needed(demo), show_compare_checks(demo)]
    text = "\n".join(part.plain() for part in parts)
    assert "Largest difference that does not matter" in parts[1].plain()
    for word in ("the same as", "are the same", "equal", "identical", "no difference"):
        assert word not in text.lower()
    assert "no clear difference" in text
    assert all(len(block.alt) > 40 for block in flatten(parts) if block.kind == "figure")


def test_more_spools_are_asked_for_where_spools_differ(demo: CompareStudy) -> None:
    needed = needed_prints(demo.comparisons["colour", "gloss"])
    assert (needed.what, round(needed.each)) == ("spool", 2)
    assert 3 <= needed.number < 20


def test_results_are_plain_json_and_complete(demo: CompareStudy) -> None:
    document = compare_results(demo, {"factor": "", "against": ""})
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    pair = document["comparisons"]["blend"]["strength"]["pairs"][0]
    assert pair["verdict"] == "more than margin"
    test = pair["equivalence"]
    assert pair["low_all"] < test["low"] < pair["difference"] < test["high"] < pair["high_all"]
    assert document["comparisons"]["colour"]["gloss"]["margin"] == 4
    assert document["digest"]


def test_against_one_and_one_factor(demo: CompareStudy) -> None:
    found = compare_study(DEMO, factor="colour", against="pink")
    assert found.factors == ("colour",)
    names = [(p.first, p.second) for p in found.comparisons["colour", "gloss"].pairs]
    assert names == [("pink", "white"), ("pink", "green")]
    ours = found.comparisons["colour", "gloss"].pairs[0]
    theirs = demo.comparisons["colour", "gloss"].pairs[0]
    np.testing.assert_allclose(ours.estimate, -theirs.estimate)


def test_what_cannot_be_compared_is_said(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="varies no category"):
        compare_study(DATA / "satin-or-gloss")
    with pytest.raises(ModelError, match="no factor 'spool' of the kind category"):
        compare_study(DEMO, factor="spool")
    with pytest.raises(ModelError, match="no category has a level 'blue'"):
        compare_study(DEMO, against="blue")
    folder = tmp_path / "study"
    shutil.copytree(DEMO, folder)
    readings = (folder / "readings.csv").read_text(encoding="utf-8").splitlines()
    (folder / "readings.csv").write_text(readings[0] + "\n", encoding="utf-8")
    with pytest.raises(ModelError, match="no printed run has a result yet"):
        compare_study(folder)


def test_without_a_margin_nothing_is_called_small(tmp_path: Path) -> None:
    folder = tmp_path / "study"
    shutil.copytree(DEMO, folder)
    text = (folder / "study.toml").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("margin")]
    (folder / "study.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    found = compare_study(folder)
    assert all(p.verdict in (DIFFERS, OPEN) for c in found.comparisons.values() for p in c.pairs)
    assert "No margin is stated" in show_margins(found).plain()
    assert "not proof of none" in show_differences(found).plain()
    assert "nobody can say" in show_prints_needed(found).plain()
