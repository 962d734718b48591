"""Hands tasks to workers: local processes, or a cluster; survives workers that die.

Workers are always spawned, never forked: polars used before a fork can hang in the child.
"""

import concurrent.futures as cf
import contextlib
import math
import multiprocessing
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures.process import BrokenProcessPool
from typing import Any, TypeVar

T = TypeVar("T")
R = TypeVar("R")


#: s to wait for a scheduler to answer.
CONNECT_S = 10

#: CPU s of work that one more worker process is started for: its libraries cost a good second
#: before it does anything, so for less it would take more from the machine than it gives.
WORKER_PAYS_S = 2.0


class ClusterError(Exception):
    """The cluster cannot be used; the text says why and what to do."""


class WorkerDiedError(Exception):
    """A worker died twice over the same task."""


class Pool:
    """Runs one function over many tasks; a task whose worker dies is tried once more, alone.

    ``jobs``: local worker processes, at most; ``exactly``: that many, however little there is
    to do. ``cluster``: address of a Dask scheduler in their place.
    """

    def __init__(self, jobs: int, cluster: str | None = None, *, exactly: bool = False) -> None:
        self._jobs, self._cluster, self._exactly = jobs, cluster, exactly
        self._executor: cf.Executor | None = None
        self._client: Any = None
        self._warming: cf.Future[None] | None = None

    def __enter__(self) -> "Pool":
        return self

    def __exit__(self, *_: object) -> None:
        self._stop()

    def warm(self, load: Callable[[], None]) -> None:
        """Start one local worker and let it load what its work will need, without waiting."""
        if self._cluster is None:
            # One that dies while it starts is told, and tried again, when there is work for it.
            with contextlib.suppress(BrokenProcessPool, BrokenPipeError):
                self._warming = self._start().submit(load)

    def run(
        self, work: Callable[[T], R], tasks: Mapping[str, T], *, seconds: float = math.inf
    ) -> Iterator[tuple[str, R | WorkerDiedError]]:
        """Hand the tasks out at once; yields (key, result) as they come.

        Yielding raises what ``work`` raises. ``seconds``: CPU s that all tasks together will
        take, about. A task whose worker died twice gives a WorkerDiedError for its result.
        """
        handed = self._hand_out(work, tasks, self._parcels(list(tasks), seconds))
        return self._with_retries(work, tasks, handed)

    def _with_retries(
        self,
        work: Callable[[T], R],
        tasks: Mapping[str, T],
        handed: dict["cf.Future[list[R]]", list[str]],
    ) -> Iterator[tuple[str, R | WorkerDiedError]]:
        retry: list[str] = []
        for key, result in self._collect(handed):
            if isinstance(result, cf.Future):
                retry.append(key)
            else:
                yield key, result
        for key in sorted(retry):
            self._stop()  # what killed one worker must not take others down with it
            for _, result in self._collect(self._hand_out(work, tasks, [[key]])):
                if isinstance(result, cf.Future):
                    yield key, WorkerDiedError(key)
                else:
                    yield key, result

    def _parcels(self, keys: list[str], seconds: float) -> list[list[str]]:
        """Put keys into one parcel per worker that pays, or each into its own if all do."""
        workers = min(self._jobs, len(keys))
        if self._cluster is None and not self._exactly and seconds < workers * WORKER_PAYS_S:
            paying = max(1, int(seconds / WORKER_PAYS_S))
            return [keys[i::paying] for i in range(paying) if keys[i::paying]]
        return [[key] for key in keys]

    def _hand_out(
        self, work: Callable[[T], R], tasks: Mapping[str, T], parcels: list[list[str]]
    ) -> dict["cf.Future[list[R]]", list[str]]:
        """Submit parcels; the keys of each by its future, broken at once where no worker starts."""
        futures: dict[cf.Future[list[R]], list[str]] = {}
        if not parcels:
            return futures
        executor = self._start()
        if self._warming is not None and len(parcels) == 1:
            # The executor starts another worker for a parcel that finds none idle.
            cf.wait([self._warming])
        for keys in parcels:
            try:
                futures[executor.submit(_each, work, [tasks[key] for key in keys])] = keys
            except (BrokenProcessPool, BrokenPipeError):  # the latter: it died while it started
                broken: cf.Future[list[R]] = cf.Future()
                futures[broken] = keys
                broken.set_exception(BrokenProcessPool())
        return futures

    def _collect(
        self, futures: dict["cf.Future[list[R]]", list[str]]
    ) -> Iterator[tuple[str, R | cf.Future[list[R]]]]:
        """Yield results, or the broken future itself where the worker died under it."""
        dead = False
        for future in cf.as_completed(futures):
            error = future.exception()
            if error is None:
                yield from zip(futures[future], future.result(), strict=True)
            elif isinstance(error, BrokenProcessPool) or _is_dead_remote(error):
                dead = True
                yield from ((key, future) for key in futures[future])
            else:
                for other in futures:
                    other.cancel()
                raise error
        if dead:
            self._stop()

    def _start(self) -> cf.Executor:
        if self._executor is None:
            if self._cluster is not None:
                self._client = _connect(self._cluster)
                self._executor = self._client.get_executor()
            else:
                # Processes are started as parcels find none idle, never more than that.
                self._executor = cf.ProcessPoolExecutor(
                    max_workers=self._jobs,
                    mp_context=multiprocessing.get_context("spawn"),
                )
        return self._executor

    def _stop(self) -> None:
        if self._executor is not None:
            with contextlib.suppress(Exception):
                self._executor.shutdown(wait=True, cancel_futures=True)
            self._executor = self._warming = None
        if self._client is not None:
            with contextlib.suppress(Exception):
                self._client.close()
            self._client = None


def _each(work: Callable[[T], R], tasks: list[T]) -> list[R]:
    return [work(task) for task in tasks]


def _connect(address: str) -> Any:
    """Connect to a scheduler; raises ClusterError where there is none or the extra is missing."""
    import logging
    import socket

    try:
        from distributed import Client
    except ImportError:
        raise ClusterError(
            "the cluster extra is missing: pip install sparkledger[cluster]"
        ) from None
    for name in ("distributed", "distributed.client", "tornado"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        # The client tries again until its time is up; a closed port says no at once.
        host, _, port = address.rpartition("://")[2].rpartition(":")
        socket.create_connection((host.strip("[]"), int(port)), timeout=CONNECT_S).close()
        return Client(address, timeout=CONNECT_S)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        why = str(error).splitlines()[0] if str(error) else "no answer"
        raise ClusterError(
            f"no cluster answers at {address} ({why}): start it, or leave --executor"
        ) from None


def _is_dead_remote(error: BaseException) -> bool:
    return type(error).__name__ == "KilledWorker"
