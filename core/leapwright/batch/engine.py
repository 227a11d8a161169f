# SPDX-License-Identifier: GPL-3.0-or-later
"""The cluster that does the work: one of our own in this process, or one that is already there.

Both are `distributed`'s, with one task for a shot, and the way of a task through them is the same.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import time
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Any

import dask
import psutil
from distributed import Client, Future, KilledWorker, LocalCluster

from leapwright.batch.hosts import Order, close_hosts, do_task, look_at_folder
from leapwright.batch.work import Task
from leapwright.errors import HostError, InputError

__all__ = ["Engine", "default_workers"]

HOST_MEMORY = 1.5 * 2**30
"""Memory that a host with a common shot takes, for the number of workers."""
TICK = 0.2
WAIT = 30.0
"""Seconds that a cluster is given to have a worker."""
_CONFIG = {
    # Our workers only wait for their hosts: nothing to profile, no memory of theirs to watch.
    "distributed.worker.profile.enabled": False,
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.pause": False,
    "distributed.worker.memory.terminate": False,
    # Nor is anybody to be told how busy the event loop is: with the default of 50 looks a second
    # the runner takes half as much again of a core.
    "distributed.admin.tick.interval": "1s",
    "distributed.admin.tick.cycle": "10s",
    "distributed.admin.system-monitor.interval": "10s",
    "distributed.admin.system-monitor.disk": False,
    # What is remembered of tasks that are done, so that memory stays flat.
    "distributed.admin.log-length": 100,
    "distributed.admin.low-level-log-length": 100,
    "distributed.admin.system-monitor.log-length": 60,
    "distributed.scheduler.events-cleanup-delay": "1m",
}


def default_workers() -> int:
    """One for each core, as far as memory reaches."""
    cores = psutil.cpu_count(logical=False) or 1
    return max(1, min(cores, int(psutil.virtual_memory().available // HOST_MEMORY)))


class Engine:
    """A cluster, ready to work; a context manager.

    Parameters
    ----------
    order : Order
        What holds for all tasks.
    workers : int or None
        Of our own cluster; None is as cores and memory allow.
    scheduler : str or None
        Address of a cluster that is there: then `workers` is not used.

    Raises
    ------
    HostError
        The cluster cannot be reached, has no workers, or does not see the run's folder.
    """

    def __init__(
        self, order: Order, *, workers: int | None = None, scheduler: str | None = None
    ) -> None:
        workers = default_workers() if workers is None else workers
        if workers < 1:
            raise InputError(f"workers must be at least 1, got {workers}", "workers")
        self.order = order
        self.scheduler = scheduler
        self._threads, self._counted = 1, -1.0
        self._cluster: LocalCluster | None = None
        self._client = self._connect(workers)
        self._answers: queue.SimpleQueue[tuple[Task, Future[Any]]] = queue.SimpleQueue()

    def _connect(self, workers: int) -> Client:
        if self.scheduler is None:
            with dask.config.set(_CONFIG):
                self._cluster = LocalCluster(
                    n_workers=workers,
                    threads_per_worker=1,
                    processes=False,
                    memory_limit=0,
                    # Nobody looks in: a free port, on this machine alone.
                    dashboard_address="127.0.0.1:0",
                    worker_dashboard_address="127.0.0.1:0",
                    silence_logs=logging.CRITICAL,
                )
                return Client(self._cluster, set_as_default=False)
        try:
            client = Client(self.scheduler, timeout=WAIT, set_as_default=False)
        except (OSError, ValueError, TypeError) as error:
            said = " ".join(str(error).split())
            raise HostError(f"no scheduler answers at {self.scheduler}: {said}") from error
        try:
            client.wait_for_workers(1, timeout=WAIT)
            self._look(client)
        except TimeoutError as error:
            client.close()
            raise HostError(f"the scheduler at {self.scheduler} has no workers") from error
        except BaseException:
            client.close()
            raise
        return client

    def _look(self, client: Client) -> None:
        """Every worker must see the folder of the run, and know this program."""
        try:
            seen = client.run(look_at_folder, self.order.run, self.order.session)
        except Exception as error:
            said = " ".join(f"{type(error).__name__}: {error}".split())
            raise HostError(f"the workers cannot run this version of leapwright: {said}") from error
        blind = {worker: said for worker, said in seen.items() if said}
        if blind:
            worker, said = next(iter(blind.items()))
            raise HostError(f"worker {worker} {said} ({len(blind)} of {len(seen)} workers)")

    def __enter__(self) -> Engine:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop_now()
        with contextlib.suppress(Exception):
            self._client.close()
        if self._cluster is not None:
            self._cluster.close()

    def threads(self) -> int:
        """How many shots can be worked on at once, now."""
        if time.monotonic() > self._counted + 1.0:
            self._counted = time.monotonic()
            self._threads = max(1, sum(self._client.nthreads().values()))
        return self._threads

    def answers(
        self, tasks: Iterator[Task], *, tick: Callable[[], bool]
    ) -> Iterator[tuple[Task, dict[str, Any]]]:
        """Have tasks done and give each answer as it comes.

        Parameters
        ----------
        tasks : iterator of Task
            Taken as there is room.
        tick : function
            Called often; False says that no more tasks are to be begun.
        """
        at_work: dict[int, Future[Any]] = {}
        more = True
        while True:
            wanted = tick()
            # A few more than can be worked on, so that no worker waits for its next.
            room = 2 * self.threads() - len(at_work) if more and wanted else 0
            for _ in range(room):
                task = next(tasks, None)
                if task is None:
                    more = False
                    break
                at_work[task.number] = self._submit(task)
            if not at_work:
                if not more or not wanted:
                    return
                continue
            try:
                task, future = self._answers.get(timeout=TICK)
            except queue.Empty:
                continue
            answer = _result(future)
            del at_work[task.number]
            future.release()
            yield task, answer

    def _submit(self, task: Task) -> Future[Any]:
        future = self._client.submit(
            do_task,
            task.to_json(),
            self.order,
            key=f"leapwright-{self.order.session}-{task.number}",
            pure=False,
        )
        future.add_done_callback(lambda done: self._answers.put((task, done)))
        return future

    def stop_now(self) -> None:
        """End all host processes; those at work answer that they were stopped."""
        if self._cluster is not None:
            close_hosts(self.order)
        else:
            with contextlib.suppress(Exception):
                self._client.run(close_hosts, self.order)


def _result(future: Future[Any]) -> dict[str, Any]:
    try:
        answer: dict[str, Any] = future.result()
    except KilledWorker as error:
        return {
            "status": "failed",
            "reason": "its worker was lost again and again",
            "error": "lost",
            "log_text": str(error),
        }
    except Exception as error:
        reason = " ".join(f"the worker failed: {type(error).__name__}: {error}".split())
        return {"status": "failed", "reason": reason, "error": "worker"}
    return answer
