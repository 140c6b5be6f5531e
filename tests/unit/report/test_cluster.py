"""The same reports from a cluster, and nothing lost when a worker is killed."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from kit.report.batch import render_all
from tests.small_studies import small_study, spoil

distributed = pytest.importorskip("distributed")

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore"),  # third parties' sockets and loops
]


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Any]:
    with distributed.LocalCluster(
        n_workers=3,
        threads_per_worker=1,
        processes=True,
        dashboard_address=None,
        local_directory=str(tmp_path / "dask"),
    ) as cluster:
        yield cluster


def test_reports_come_although_a_worker_is_killed(cluster: Any, tmp_path: Path) -> None:
    studies = [small_study(tmp_path / "space" / f"s{i}", title=f"Study {i}") for i in range(6)]
    spoil(studies[2])
    killed: list[int] = []

    def kill_one(outcome: object) -> None:
        if not killed:  # when the first study is done the others are being rendered
            with distributed.Client(cluster.scheduler_address, set_as_default=False) as client:
                pids = client.run(os.getpid)
                busy = [w for w, tasks in client.processing().items() if tasks]
            killed.append(pids[busy[0]])
            os.kill(killed[0], signal.SIGKILL)

    outcomes = render_all(studies, scheduler=cluster.scheduler_address, tell=kill_one)
    assert killed
    assert [o.state for o in outcomes] == ["rendered"] * 2 + ["failed"] + ["rendered"] * 3
    assert outcomes[2].text.startswith("readings.csv:3:value")
    here = small_study(tmp_path / "here", title="Study 5")
    assert render_all([here], workers=1)[0].state == "rendered"
    for path in (here / "report").rglob("*"):
        if path.is_file():
            there = studies[5] / "report" / path.relative_to(here / "report")
            assert path.read_bytes() == there.read_bytes(), path.name
