"""A sweep on a Dask cluster of processes, started for these tests on this machine."""

from __future__ import annotations

import logging
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import psutil
import pytest
from sweep_files import own_controller, sweep_file

from sim.base.errors import InputError
from sim.face.cli import main
from sim.jobs import sweep_crew
from sim.jobs.sweep import load_sweep, run_sweep
from sim.jobs.sweep_crew import cluster, threads

# The scheduler tells its address, and then the processes of its workers whenever asked.
CLUSTER = """
import sys
from distributed import LocalCluster

if __name__ == "__main__":
    n_workers = int(sys.argv[1])
    with LocalCluster(n_workers=n_workers, threads_per_worker=2, host="127.0.0.1", dashboard_address=None) as cluster:
        print(cluster.scheduler_address, flush=True)
        for _ in sys.stdin:
            print(*[nanny.pid for nanny in cluster.workers.values()], flush=True)
"""
CASES = "pack.charge_frac: {from: 0.2, to: 0.9, steps: 20}\nwater.kind: {values: [lake, sea]}"
REPORT = "report: {verdicts: all, measures: {low: minimum(bus_v)}}"


class Cluster:
    """A scheduler with workers of two threads each, each in a process of its own."""

    def __init__(self, folder: Path, workers: int = 2) -> None:
        program = folder / "cluster.py"
        program.write_text(CLUSTER)
        # What the scheduler and its workers say of a worker that is killed is none of the tests' matter.
        with (folder / "log").open("w") as log:
            self.process = subprocess.Popen(
                [sys.executable, str(program), str(workers)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                cwd=folder,
            )
        assert self.process.stdout is not None
        self.address = self.process.stdout.readline().strip()

    def workers(self) -> list[int]:
        """The process of each worker."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write("\n")
        self.process.stdin.flush()
        return [int(pid) for pid in self.process.stdout.readline().split()]

    def end(self) -> None:
        """End it, and whatever it started."""
        started = psutil.Process(self.process.pid).children(recursive=True)
        self.process.communicate()
        psutil.wait_procs(started, timeout=20.0)


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    made = Cluster(tmp_path_factory.mktemp("cluster"))
    yield made
    made.end()


def whole(path: Path, out: Path) -> tuple[bytes, bytes]:
    """The files of a sweep that one thread of this process runs."""
    with threads(1) as crew:
        run_sweep(load_sweep(path), out, crew, engine="interpreted")
    return files(out)


def files(out: Path) -> tuple[bytes, bytes]:
    assert not (out / "s.journal").exists()
    return (out / "s.csv").read_bytes(), (out / "s.npz").read_bytes()


def test_the_command_takes_the_address(here: Cluster, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``--cluster ADDRESS`` is all that it takes, and the files are those of this machine alone."""
    path = sweep_file(tmp_path, "seed: {from: 1, to: 8, steps: 8}", REPORT)
    options = ["--cluster", here.address, "--out", str(tmp_path / "out"), "--engine", "interpreted"]
    assert main(["sweep", str(path), *options]) == 0
    assert "8 cases: 8 pass" in capsys.readouterr().out
    assert files(tmp_path / "out") == whole(path, tmp_path / "whole")


def test_workers_with_other_files_run_nothing(here: Cluster, tmp_path: Path) -> None:
    """A file that has changed since the sweep was read is one line, not rows of something else."""
    path = sweep_file(tmp_path, "seed: {values: [1, 2]}")
    sweep = load_sweep(path)
    path.write_text(path.read_text().replace("[1, 2]", "[1, 3]"))
    with pytest.raises(InputError, match=r"got a change of sweep s\.sweep\.yaml"), cluster(here.address) as crew:
        run_sweep(sweep, tmp_path / "out", crew, engine="interpreted")


def test_a_cluster_gives_the_same_bytes_though_a_worker_dies(here: Cluster, tmp_path: Path) -> None:
    """One of two workers is killed midway: no case is lost, none is taken for a failure, the bytes are the same."""
    path = sweep_file(tmp_path, CASES, REPORT)
    killed: list[int] = []

    def progress(done: int) -> None:
        if done >= 5 and not killed:
            killed.append(here.workers()[0])
            os.kill(killed[0], signal.SIGKILL)

    with cluster(here.address) as crew:
        assert crew.workers == 4
        run_sweep(load_sweep(path), tmp_path / "out", crew, progress, engine="interpreted")
    assert killed
    assert killed[0] not in here.workers()
    assert files(tmp_path / "out") == whole(path, tmp_path / "whole")


def test_a_case_that_kills_every_worker_it_meets_is_found(here: Cluster, tmp_path: Path) -> None:
    """The scheduler gives it up, it is told as that case's failure, and the rest are kept."""
    quantities = "params_set.pulse_us: {values: [1000, 1200, 1800]}"
    path = sweep_file(tmp_path, quantities, base=own_controller(tmp_path))
    with cluster(here.address) as crew:
        swept = run_sweep(load_sweep(path), tmp_path / "out", crew, engine="interpreted")
    assert swept.tally == {"error": 1, "fail": 2, "undecided": 0, "pass": 0}
    assert swept.told["error"] == [(3, "the process that ran it died")]


def test_no_part_of_dask_logs_beside_the_command(here: Cluster) -> None:
    """Each has a logger of its own, some with a level of their own; all are still while a cluster is in use."""
    with cluster(here.address):
        names = [name for name in logging.root.manager.loggerDict if name.startswith("distributed.")]
        parts = (*names, "distributed", "distributed.one.that.comes.later", "tornado.application", "asyncio")
        assert len(names) > 10
        assert [name for name in parts if logging.getLogger(name).isEnabledFor(logging.ERROR)] == []
    assert logging.getLogger("distributed.client").isEnabledFor(logging.WARNING)


def test_a_cluster_that_goes_away_leaves_the_rows(tmp_path: Path) -> None:
    """The scheduler is killed midway: one line, exit code 2; started again without it, the sweep goes on."""
    lost = Cluster(tmp_path)
    path = sweep_file(tmp_path, CASES, REPORT)
    command = [sys.executable, "-m", "sim.face.cli", "sweep", str(path), "--out", str(tmp_path / "out")]
    process = subprocess.Popen([*command, "--cluster", lost.address, "--engine", "interpreted"], stderr=subprocess.PIPE)
    journal = tmp_path / "out" / "s.journal"
    while not journal.exists() or journal.read_bytes().count(b"\n") < 4:
        assert process.poll() is None
        time.sleep(0.01)
    started = psutil.Process(lost.process.pid).children(recursive=True)
    for each in (lost.process, *started):
        each.kill()
    lost.process.communicate()
    _, said = process.communicate(timeout=120)
    assert process.returncode == 2, said.decode()
    assert re.fullmatch(r"drydive sweep: --cluster: expected a cluster that stays; got .+\n", said.decode())
    swept = run_sweep(load_sweep(path), tmp_path / "out", engine="interpreted")
    assert swept.went_on_from >= 3
    assert files(tmp_path / "out") == whole(path, tmp_path / "whole")


class Forgetful(ThreadPoolExecutor):
    """Loses the first batches that it is given, as a scheduler may whose workers die together: they never end."""

    def __init__(self, loses: int) -> None:
        super().__init__(1)
        self.loses = loses

    def submit(self, do: Callable[..., Any], /, *args: Any, **named: Any) -> Future[Any]:
        self.loses -= 1
        return Future() if self.loses >= 0 else super().submit(do, *args, **named)


def test_what_a_cluster_loses_is_run_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Workers that are there and have nothing to do, while rows are waited for: the same files in the end."""
    monkeypatch.setattr(sweep_crew, "IDLE_S", 0.1)
    monkeypatch.setattr(sweep_crew, "LOOK_S", 0.05)
    path = sweep_file(tmp_path, "seed: {from: 1, to: 4, steps: 4}", REPORT)
    crew = sweep_crew.Crew(Forgetful(3), 1, anybody=lambda: True, busy=lambda: False)
    monkeypatch.setattr(sweep_crew, "TRIES", 50)
    with crew.executor:
        run_sweep(load_sweep(path), tmp_path / "out", crew, engine="interpreted")
    assert files(tmp_path / "out") == whole(path, tmp_path / "whole")


def test_a_cluster_without_workers_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where nobody is there for a while to run a case, that is one line; it does not wait for ever."""
    monkeypatch.setattr(sweep_crew, "NOBODY_S", 0.3)
    monkeypatch.setattr(sweep_crew, "LOOK_S", 0.1)
    path = sweep_file(tmp_path, "seed: {values: [1, 2]}")
    empty = Cluster(tmp_path, 0)
    with pytest.raises(InputError, match=r"at least one worker; got none for 0\.3 s"), cluster(empty.address) as crew:
        run_sweep(load_sweep(path), tmp_path / "out", crew, engine="interpreted")
    empty.end()


@pytest.mark.parametrize("address", ["nonsense", "tcp://127.0.0.1", "foo://127.0.0.1:8786"])
def test_an_address_that_is_none_is_one_line(address: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 2 at once."""
    path = sweep_file(tmp_path, "seed: {values: [1]}")
    assert main(["sweep", str(path), "--cluster", address, "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"drydive sweep: --cluster: expected the address of a Dask scheduler; got {address}: ")
    assert said.count("\n") == 1


def test_without_dask_the_option_says_what_to_install(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The extra is named."""
    monkeypatch.setitem(sys.modules, "distributed", None)
    path = sweep_file(tmp_path, "seed: {values: [1]}")
    assert main(["sweep", str(path), "--cluster", "tcp://127.0.0.1:1", "--out", str(tmp_path / "out")]) == 2
    assert capsys.readouterr().err == (
        "drydive sweep: --cluster: expected Dask distributed installed (pip install 'drydive[cluster]'); "
        "got no such package\n"
    )
