"""Hands tasks to workers: local processes, or a cluster; survives workers that die.

Workers are always spawned, never forked: polars used before a fork can hang in the child.
"""

import concurrent.futures as cf
import contextlib
import multiprocessing
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures.process import BrokenProcessPool
from typing import Any, TypeVar

T = TypeVar("T")
R = TypeVar("R")


#: s to wait for a scheduler to answer.
CONNECT_S = 10


class ClusterError(Exception):
    """The cluster cannot be used; the text says why and what to do."""


class WorkerDiedError(Exception):
    """A worker died twice over the same task."""


class Pool:
    """Runs one function over many tasks; a task whose worker dies is tried once more, alone.

    ``jobs``: local worker processes. ``cluster``: address of a Dask scheduler in their place.
    """

    def __init__(self, jobs: int, cluster: str | None = None) -> None:
        self._jobs, self._cluster = jobs, cluster
        self._executor: cf.Executor | None = None
        self._client: Any = None

    def __enter__(self) -> "Pool":
        return self

    def __exit__(self, *_: object) -> None:
        self._stop()

    def run(
        self, work: Callable[[T], R], tasks: Mapping[str, T]
    ) -> Iterator[tuple[str, R | WorkerDiedError]]:
        """Yield (key, result) as they come; raises what ``work`` raises.

        A task whose worker died twice gives a WorkerDiedError in place of its result.
        """
        retry: list[str] = []
        for key, result in self._all(work, tasks):
            if isinstance(result, cf.Future):
                retry.append(key)
            else:
                yield key, result
        for key in sorted(retry):
            self._stop()  # what killed one worker must not take others down with it
            for _, result in self._all(work, {key: tasks[key]}):
                if isinstance(result, cf.Future):
                    yield key, WorkerDiedError(key)
                else:
                    yield key, result

    def _all(
        self, work: Callable[[T], R], tasks: Mapping[str, T]
    ) -> Iterator[tuple[str, R | cf.Future[R]]]:
        """Yield results, or the broken future itself where the worker died under it."""
        if not tasks:
            return
        executor = self._start(len(tasks))
        futures: dict[cf.Future[R], str] = {}
        dead = False
        for key, task in tasks.items():
            try:
                futures[executor.submit(work, task)] = key
            except BrokenProcessPool:
                broken: cf.Future[R] = cf.Future()
                futures[broken] = key
                broken.set_exception(BrokenProcessPool())
        for future in cf.as_completed(futures):
            error = future.exception()
            if error is None:
                yield futures[future], future.result()
            elif isinstance(error, BrokenProcessPool) or _is_dead_remote(error):
                dead = True
                yield futures[future], future
            else:
                for other in futures:
                    other.cancel()
                raise error
        if dead:
            self._stop()

    def _start(self, tasks: int) -> cf.Executor:
        if self._executor is None:
            if self._cluster is not None:
                self._client = _connect(self._cluster)
                self._executor = self._client.get_executor()
            else:
                self._executor = cf.ProcessPoolExecutor(
                    max_workers=max(1, min(self._jobs, tasks)),
                    mp_context=multiprocessing.get_context("spawn"),
                )
        return self._executor

    def _stop(self) -> None:
        if self._executor is not None:
            with contextlib.suppress(Exception):
                self._executor.shutdown(wait=True, cancel_futures=True)
            self._executor = None
        if self._client is not None:
            with contextlib.suppress(Exception):
                self._client.close()
            self._client = None


def _connect(address: str) -> Any:
    """Connect to a scheduler; raises ClusterError where there is none or the extra is missing."""
    import logging

    try:
        from distributed import Client
    except ImportError:
        raise ClusterError(
            "the cluster extra is missing: pip install sparkledger[cluster]"
        ) from None
    for name in ("distributed", "distributed.client", "tornado"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        return Client(address, timeout=CONNECT_S)  # type: ignore[no-untyped-call]
    except (OSError, TimeoutError) as error:
        why = str(error).splitlines()[0] if str(error) else "no answer"
        raise ClusterError(
            f"no cluster answers at {address} ({why}): start it, or leave --executor"
        ) from None


def _is_dead_remote(error: BaseException) -> bool:
    return type(error).__name__ == "KilledWorker"
