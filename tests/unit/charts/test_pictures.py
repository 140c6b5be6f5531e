"""What every picture must keep to, whatever it shows."""

from __future__ import annotations

import re
import subprocess
import sys

import pytest
from matplotlib import pyplot as plt
from matplotlib.figure import Figure
from matplotlib.text import Text

from kit.charts.checks import draw_residual_story
from kit.charts.effects import draw_effects
from kit.charts.plan import draw_plan
from kit.charts.runs import draw_measured
from kit.charts.style import png_bytes
from kit.charts.surfaces import draw_response_map
from kit.charts.view import choose_view
from kit.charts.window import draw_chance_map, draw_limits_strip
from kit.model.effects import step_effects

KINDS = {
    "plan": lambda c: draw_plan(c.runs, c.study),
    "measured": lambda c: draw_measured(c.measured["gloss"], c.runs, c.study),
    "effects": lambda c: draw_effects(
        step_effects(c.surfaces["gloss"], c.study), c.surfaces["gloss"].response, c.study
    ),
    "response": lambda c: draw_response_map(
        c.surfaces["gloss"], c.study, choose_view(c.surfaces, c.study), c.choice.settings
    ),
    "chance": lambda c: draw_chance_map(c.window, c.study, c.runs),
    "limits": lambda c: draw_limits_strip(c.choice, c.study),
    "residuals": lambda c: draw_residual_story(c.surfaces["gloss"]),
}


@pytest.fixture(params=KINDS)
def kind(request):
    return KINDS[request.param]


@pytest.mark.parametrize("case", ["three", "odd"])
def test_every_picture_keeps_the_house_rules(case, kind, request, uncut) -> None:
    opened = plt.get_fignums()
    picture = kind(request.getfixturevalue(case))
    assert isinstance(picture.figure, Figure)
    assert plt.get_fignums() == opened  # nothing of pyplot's is left open
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", picture.name)
    assert re.search(r"\d", picture.alt)
    assert picture.alt.endswith(".")
    assert picture.caption.endswith(".")
    assert not re.search(r"\bnan\b|None|inf\b", picture.alt + picture.caption)
    sizes = [t.get_fontsize() for t in picture.figure.findobj(Text) if t.get_text().strip()]
    # On a phone 360 CSS pixels across the smallest letters are at least 8 of them high.
    assert min(sizes) / 72 * 360 / picture.figure.get_figwidth() >= 8
    uncut(picture)


def test_the_same_picture_gives_the_same_bytes(one, kind) -> None:
    first, second = kind(one), kind(one)
    png = png_bytes(first, dpi=60)
    assert png == png_bytes(second, dpi=60)
    assert png == png_bytes(first, dpi=60)  # drawing again moves nothing
    assert png.startswith(b"\x89PNG")
    assert b"Software" not in png
    assert b"matplotlib" not in png.lower()


def test_the_users_own_style_changes_nothing(one) -> None:
    draw = KINDS["residuals"]
    wanted = png_bytes(draw(one), dpi=60)
    with plt.rc_context(
        {"font.size": 30, "axes.facecolor": "black", "savefig.bbox": "tight", "figure.dpi": 33}
    ):
        assert png_bytes(draw(one), dpi=60) == wanted


def test_drawing_leaves_the_users_style_alone(one) -> None:
    before = dict(plt.rcParams)
    png_bytes(KINDS["plan"](one))
    assert dict(plt.rcParams) == before


@pytest.mark.slow
def test_bytes_are_the_same_in_another_process() -> None:
    code = (
        "import hashlib, numpy as np, pandas as pd\n"
        "from kit.charts.plan import draw_plan\n"
        "from kit.charts.style import png_bytes\n"
        "from kit.study.description import Factor, Response, Study\n"
        "study = Study(title='t', factor=(Factor(name='speed', kind='speed', unit='mm/s', low=40, high=120),),"
        " response=(Response(name='gloss'),))\n"
        "runs = pd.DataFrame({'run': ['1', '2'], 'block': [1, 1], 'print_order': [1, 2], 'speed': [40.0, 120.0],"
        " 'status': ['planned', 'planned']})\n"
        "print(hashlib.sha256(png_bytes(draw_plan(runs, study))).hexdigest())\n"
    )
    runs = [
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        for _ in range(2)
    ]
    assert runs[0].stdout == runs[1].stdout
    assert len(runs[0].stdout.strip()) == 64
