"""The forked kernel is a real one, and a fresh one takes its place where it cannot be had."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import nbformat
import pytest

from kit.report.kernel import ForkedKernel, can_fork
from kit.report.painter import do_all
from kit.report.run import run_template

pytestmark = pytest.mark.skipif(
    not can_fork() or "PYTEST_XDIST_WORKER" in os.environ,
    reason="forking needs Linux and a process without threads: pytest --numprocesses=0 on this file",
)


@pytest.fixture
def template(tmp_path: Path) -> Path:
    """A notebook that tells where and as what it runs."""
    notebook = nbformat.v4.new_notebook(
        metadata={
            "kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}
        }
    )
    parameters = nbformat.v4.new_code_cell(
        'study: str = "x"  # folder', metadata={"tags": ["parameters"]}
    )
    said = nbformat.v4.new_code_cell(
        "import os, sys, __main__\nprint(os.getcwd(), os.getpid(), study, '__file__' in dir(__main__), get_ipython().kernel.__class__.__module__)"
    )
    notebook.cells = [parameters, said]
    path = tmp_path / "t.ipynb"
    nbformat.write(notebook, path)
    return path


def said(notebook: nbformat.NotebookNode) -> list[str]:
    return notebook.cells[-1].outputs[0].text.split()


def test_forked_kernel_runs_a_notebook(template: Path, tmp_path: Path) -> None:
    kernel = ForkedKernel(lambda: None)
    try:
        cwd, pid, study, has_file, kind = said(run_template(template, tmp_path, {}, kernel=kernel))
    finally:
        kernel.close()
    assert (cwd, study, has_file) == (str(tmp_path), ".", "False")
    assert int(pid) == kernel.pid
    assert kind.startswith("ipykernel")
    assert kernel.poll() is not None


def test_fresh_kernel_takes_over_when_the_forked_one_is_gone(
    template: Path, tmp_path: Path
) -> None:
    kernel = ForkedKernel(lambda: None)
    kernel.close()
    assert int(said(run_template(template, tmp_path, {}, kernel=kernel))[1]) != kernel.pid


def test_no_forking_beside_other_threads() -> None:
    stop = threading.Event()
    thread = threading.Thread(target=stop.wait)
    thread.start()
    try:
        assert not can_fork()
        with pytest.raises(RuntimeError, match="threads"):
            ForkedKernel(lambda: None)
    finally:
        stop.set()
        thread.join()


def test_tasks_are_done_without_a_painter() -> None:
    assert do_all([lambda: 1, lambda: 2, lambda: 3]) == [1, 2, 3]


def test_painter_does_some_and_its_failures_are_done_here() -> None:
    code = (
        "import os, time\nfrom functools import partial\nfrom kit.report.painter import Painter, _painters, do_all\n"
        "me = os.getpid()\n"
        "def work(n):\n    time.sleep(0.05)\n    assert n != 4 or os.getpid() == me\n    return n, os.getpid() == me\n"
        "_painters.append(Painter())\n"
        "results = do_all([partial(work, n) for n in range(6)])\n"
        "assert [n for n, _ in results] == list(range(6)), results\n"
        "assert results[4] == (4, True) and not all(mine for _, mine in results), results\n"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
