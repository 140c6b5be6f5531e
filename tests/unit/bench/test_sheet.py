"""The sheets hold every run and reading, in order, escaped, printable without anything from elsewhere."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

from kit.bench.cautions import cautions_for
from kit.bench.sheet import bench_sheet, heading, measuring_sheet
from kit.bench.sheet_style import STYLE
from kit.design.choose import choose_design
from kit.design.order import order_runs, readings_to_fill
from kit.printer import assess_prints
from kit.study.description import Study
from tests.unit.design.studies import BED, NOZZLE, SPEED, SPOOL, study

EVIL = '<script>alert("x")</script> & "co"'
VOID = {"meta", "col", "br", "hr"}


class Checker(HTMLParser):
    """Collects the text, and sees that tags close in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        assert not {"src", "href"} & {name for name, _ in attrs}
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)


def read(page: str) -> Checker:
    checker = Checker()
    checker.feed(page)
    assert checker.open == []
    return checker


def planned(asked: Study) -> pd.DataFrame:
    return order_runs(choose_design(asked), np.random.default_rng(7))


def sheet(asked: Study, runs: pd.DataFrame) -> str:
    return bench_sheet(asked, runs, assess_prints(asked, runs), cautions_for(asked, runs))


CARD = {
    "printer": {"acceleration": 3000, "melt_limit": 9.0, "name": EVIL},
    "specimen": {"straight_path": 40, "path_per_layer": 1200, "layers": 50, "min_layer_time": 8},
    "material": {"stated_range": (190, 225), "name": EVIL},
}


@pytest.fixture
def asked() -> Study:
    changed = study(family="central_composite", **CARD)
    return changed.model_copy(update={"title": EVIL, "scope": EVIL})


def test_bench_sheet_has_every_run_in_print_order(asked: Study) -> None:
    runs = planned(asked)
    page = sheet(asked, runs.sample(frac=1, random_state=1))
    labels = re.findall(r'class="label"><span class="tick"></span>([^<]*)', page)
    assert labels == runs["run"].tolist()
    words = " ".join(read(page).words)
    assert words.count("really set") == len(runs) + 1  # once in the instructions
    assert "18 prints take about" in words


def test_user_words_are_escaped(asked: Study) -> None:
    runs = planned(asked)
    to_fill = readings_to_fill(asked, runs, np.random.default_rng(1))
    for page in (sheet(asked, runs), measuring_sheet(asked, to_fill)):
        checker = read(page)
        assert "script" not in checker.tags
        assert 'alert("x")' in " ".join(checker.words)


def test_sheets_need_nothing_from_elsewhere(asked: Study) -> None:
    runs = planned(asked)
    page = sheet(asked, runs)
    checker = read(page)
    assert not {"script", "img", "link", "iframe"} & set(checker.tags)
    assert "url(" not in page
    assert "@import" not in page


def test_no_letters_below_10_pt_and_runs_never_split() -> None:
    sizes = [float(s) for s in re.findall(r"(\d+(?:\.\d+)?)pt", STYLE)]
    assert min(sizes) >= 10
    assert re.search(r"tbody\.run {[^}]*break-inside: avoid", STYLE)
    assert re.search(r"\.measure tr {[^}]*break-inside: avoid", STYLE)


def test_changes_are_bold_with_an_arrow() -> None:
    asked = study(NOZZLE, SPOOL, terms="main")
    runs = planned(asked).iloc[:4].reset_index(drop=True)
    runs["nozzle"] = [190.0, 230.0, 230.0, 210.0]
    runs["spool"] = ["white", "white", "pink", "pink"]
    cells = re.findall(r'<td class="(?:number|level)">(.*?)</td>', sheet(asked, runs))
    said = [c.replace("\N{NO-BREAK SPACE}", " ") for c in cells]
    assert said == [
        "<b>→ 190 °C</b>",
        "<b>→ white</b>",
        "<b>↑ 230 °C</b>",
        "white",
        "230 °C",
        "<b>→ pink</b>",
        "<b>↓ 210 °C</b>",
        "pink",
    ]


def test_runs_to_look_at_carry_a_mark_and_the_head_says_why(asked: Study) -> None:
    runs = planned(asked)
    assessment = assess_prints(asked, runs)
    page = sheet(asked, runs)
    marked = re.findall(r'class="label"><span class="tick"></span>([^<]*)<b>!</b>', page)
    odd = assessment.table.loc[assessment.table["verdict"] != "fine", "run"].tolist()
    assert odd
    assert marked == odd
    assert "is outside the range stated on the spool" in page


def test_hard_to_change_stretches_are_announced() -> None:
    asked = study(BED, NOZZLE, SPEED, family="central_composite")
    runs = planned(asked)
    page = sheet(asked, runs)
    stretches = re.findall(r'<tr class="stretch"><td colspan="5">(.*?)</td>', page)
    assert len(stretches) == runs["block"].nunique()
    assert "bed temperature to" in stretches[0]
    assert "steady for 10" in stretches[0]
    # Two stretches at the same setting: set anew all the same.
    runs.loc[runs["block"] <= 2, "bed"] = 60.0
    again = re.findall(r'<tr class="stretch"><td colspan="5">(.*?)</td>', sheet(asked, runs))
    assert "set it anew" in again[1]


def test_ordinary_blocks_are_announced_and_single_ones_are_not() -> None:
    blocked = study(family="central_composite", blocks=3)
    assert sheet(blocked, planned(blocked)).count('class="stretch"') == 3
    single = study(family="central_composite")
    assert 'class="stretch"' not in sheet(single, planned(single))


def test_head_has_two_cautions_and_the_foot_the_others_and_the_scope(asked: Study) -> None:
    page = sheet(asked, planned(asked))
    head, foot = page.split("</header>")[0], page.split("<footer>")[1]
    assert head.count('<ul class="cautions">') == 1
    assert head.split('<ul class="cautions">')[1].split("</ul>")[0].count("<li>") == 2
    assert "burn" in head
    assert "smoke alarm" in head
    assert "I have read this" in foot  # specimens are broken
    assert "Out of scope" in foot


def test_many_factors_turn_the_paper() -> None:
    assert "size: A4 portrait" in sheet(study(), planned(study()))
    four = study(NOZZLE, SPEED, BED, SPOOL, terms="main")
    assert "size: A4 landscape" in sheet(four, planned(four))


def test_headings_are_words_of_the_trade_where_they_are_clear() -> None:
    walls = SPEED.model_copy(update={"name": "wall_speed"})
    asked = study(NOZZLE, SPEED, walls, SPOOL)
    assert [heading(asked, f) for f in asked.factors] == [
        "Nozzle temperature",
        "Speed",
        "Wall speed",
        "Spool",
    ]


def test_measuring_sheet_is_blind_and_has_a_box_a_reading(asked: Study) -> None:
    runs = planned(asked)
    to_fill = readings_to_fill(asked, runs, np.random.default_rng(1))
    page = measuring_sheet(asked, to_fill)
    read(page)
    assert page.count('<div class="box">') == len(to_fill)
    labels = re.findall(r'<tr><td class="who">([^<]*)</td><td class="who">([^<]*)</td>', page)
    gloss = to_fill[to_fill["quantity"] == "gloss"][["run", "specimen"]].drop_duplicates()
    assert labels[18:36] == list(gloss.itertuples(index=False, name=None))
    assert len(labels) == 3 * 18
    text = page.split("</style>")[1]
    assert "°C" not in text.replace("Room °C", "")
    assert "mm/s" not in text
    assert "Do not look at earlier readings" in text
    assert "I have read this" in text


def test_the_same_plan_gives_the_same_bytes(asked: Study) -> None:
    runs = planned(asked)
    assert sheet(asked, runs) == sheet(asked, runs)
