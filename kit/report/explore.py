"""Explore: a what-if table in JupyterLab, one row a factor with - and + in printable steps.

Optional: without ipywidgets, in papermill and on a page the same table is shown for the settings given, nothing to click.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from kit.analysis import Analysis
from kit.charts.limits import draw_limits_strip
from kit.errors import ModelError
from kit.report.document import Block, Group, Sentences, Table
from kit.report.figures import figure_block
from kit.report.html import block_html
from kit.report.wording import setting, settings_line, spoken
from kit.saying import percent
from kit.window.result import Choice, Setting
from kit.window.whatif import what_if


def explore(analysis: Analysis, settings: Mapping[str, Setting] | None = None) -> Any:  # noqa: ANN401 - a widget or blocks
    """Ask what other settings would do, step by printable step.

    Parameters
    ----------
    analysis : Analysis
        With an answer.
    settings : mapping of factor name to setting, optional
        Where to start; the recommended settings or the best compromise by default.

    Returns
    -------
    ipywidgets.Box or Group
        A table with - and + where ipywidgets is installed (extra ``explore``); else the blocks for the settings given.

    Raises
    ------
    ModelError
        If there is no answer to start from.
    """
    start = dict(settings) if settings is not None else _start(analysis)
    try:
        import ipywidgets
    except ImportError:
        return what_if_blocks(analysis, start)
    return _Table(analysis, start, ipywidgets).box


def _start(analysis: Analysis) -> dict[str, Setting]:
    window = analysis.window
    choice = window.choice if window else None
    if choice is None:
        raise ModelError("there is no answer to explore yet; finish the round first.")
    return dict(choice.settings)


def what_if_blocks(analysis: Analysis, settings: Mapping[str, Setting]) -> Group:
    """Show the settings as a table, what they do as one sentence, and one limit strip a response."""
    study, window = analysis.study, analysis.window
    assert window is not None  # there are settings to ask about
    rows = tuple(
        (spoken(f.name), setting(f, settings[f.name]), _tried(window.steps[f.name], f))
        for f in study.factors
    )
    table = Table(("Setting", "Now", "Tried"), rows, numeric=(1, 2))
    return Group((table, *_said(analysis, settings)))


def _tried(steps: tuple[Setting, ...], factor: Any) -> str:  # noqa: ANN401 - a Factor
    return f"{setting(factor, steps[0])} to {setting(factor, steps[-1])}"


def _said(analysis: Analysis, settings: Mapping[str, Setting]) -> tuple[Block, ...]:
    study = analysis.study
    choice = what_if(analysis.judged, study, settings)
    if choice is None:
        text = (
            f"{settings_line(study, settings)}: nobody printed near that, so nothing is foretold."
        )
        return (Sentences((text,), tone="notice"),)
    return (
        Sentences((_sentence(analysis, choice),)),
        figure_block(draw_limits_strip(choice, study)),
    )


def _sentence(analysis: Analysis, choice: Choice) -> str:
    study, window = analysis.study, analysis.window
    assert window is not None
    text = f"{settings_line(study, choice.settings)}: chance that one new part meets every requirement {percent(choice.probability)}"
    if choice.probability >= window.confidence:
        return f"{text}. That is inside the window."
    weakest = min(choice.alone, key=lambda n: choice.alone[n], default=None)
    why = "" if weakest is None else f", held down most by {study.response_named(weakest).title}"
    return f"{text}{why}. That is outside the window."


class _Table:
    """The widget: one row a factor with - and +, below it the sentence and the strips."""

    def __init__(self, analysis: Analysis, start: Mapping[str, Setting], widgets: Any) -> None:  # noqa: ANN401 - module
        self._analysis, self._widgets = analysis, widgets
        self._settings = dict(start)
        self._labels: dict[str, Any] = {}
        self._below = widgets.HTML()
        rows = [self._row(f.name) for f in analysis.study.factors]
        self.box = widgets.VBox([*rows, self._below])
        self._show()

    def _row(self, name: str) -> Any:  # noqa: ANN401 - a widget
        w = self._widgets
        label = w.HTML(layout=w.Layout(width="9em"))
        self._labels[name] = label
        buttons = []
        for text, step in (("\u2212", -1), ("+", 1)):
            button = w.Button(description=text, layout=w.Layout(width="3em"))
            button.tooltip = f"{spoken(name)}: one step {'down' if step < 0 else 'up'}"
            button.on_click(lambda _, n=name, s=step: self.move(n, s))
            buttons.append(button)
        title = w.HTML(spoken(name), layout=w.Layout(width="9em"))
        return w.HBox([title, buttons[0], label, buttons[1]])

    def move(self, name: str, step: int) -> None:
        """Go one printable step; at an end of what was tried nothing happens."""
        window = self._analysis.window
        assert window is not None
        axis = list(window.steps[name])
        place = axis.index(self._settings[name]) + step
        if 0 <= place < len(axis):
            self._settings[name] = axis[place]
            self._show()

    def _show(self) -> None:
        for factor in self._analysis.study.factors:
            self._labels[
                factor.name
            ].value = f"<b>{setting(factor, self._settings[factor.name])}</b>"
        self._below.value = "".join(block_html(b) for b in _said(self._analysis, self._settings))
