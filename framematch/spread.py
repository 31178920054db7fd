"""Work over several processes: this machine's cores, or the workers of a Dask scheduler that is running already.

joblib spreads it either way; there is no engine of our own.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, TypeVar

from framematch.errors import InputError

Result = TypeVar("Result")

_ANSWERS_S = 10.0


def spread(
    do: Callable[..., Result],
    tasks: Sequence[tuple[Any, ...]],
    *,
    jobs: int,
    scheduler: str | None = None,
    in_order: bool = True,
    ahead: int | str = "2*n_jobs",
) -> Iterator[Result]:
    """``do(*task)`` for every task, each result as soon as it is there.

    Args:
        do: a function of a module, so that another process finds it.
        jobs: at once, as joblib takes it; a scheduler's workers take what they have cores for.
        scheduler: address of a Dask scheduler, such as ``tcp://10.0.0.5:8786``; this machine's cores without one.
        in_order: of the tasks; else whichever is done first.
        ahead: tasks handed out at once, so that results not yet taken fit into memory.

    Raises:
        InputError: joblib or Dask is not installed, or no scheduler with workers answers there.
    """
    try:
        from joblib import Parallel, delayed
    except ImportError:
        raise InputError("joblib is not installed", fix="run: pip install 'framematch[sheets]'") from None
    if scheduler is not None:
        yield from _on_scheduler(do, tasks, scheduler)
        return
    try:
        pool = Parallel(n_jobs=jobs, return_as="generator" if in_order else "generator_unordered", pre_dispatch=ahead)
    except ValueError:  # a backend that gives its results only at the end
        pool = Parallel(n_jobs=jobs)
    with _ctrl_c_ignored():
        results = pool(delayed(do)(*task) for task in tasks)
    yield from results


@contextmanager
def _ctrl_c_ignored() -> Iterator[None]:
    """Processes started meanwhile never see Ctrl-C, which a terminal sends to all: this one ends them. Blocking it is not enough, joblib undoes that."""
    if threading.current_thread() is not threading.main_thread():  # nobody else may say what a signal does
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before or signal.SIG_DFL)


def _on_scheduler(do: Callable[..., Result], tasks: Sequence[tuple[Any, ...]], address: str) -> Iterator[Result]:
    """Round by round, since this backend gives its results only at the end of one."""
    from joblib import Parallel, delayed, parallel_config

    with _client(address) as client:
        size = 2 * sum(client.ncores().values())
        for start in range(0, len(tasks), size):
            with parallel_config(backend="dask", client=client):
                done = Parallel(n_jobs=-1)(delayed(do)(*task) for task in tasks[start : start + size])
            yield from done


@contextmanager
def _client(address: str) -> Iterator[Any]:
    """A client of the scheduler, whose workers have this very version."""
    from framematch import __version__

    if not address.startswith(("tcp://", "tls://")):
        raise InputError(f"{address!r} is not a valid address", field="scheduler", fix="write it as the scheduler says it, such as tcp://10.0.0.5:8786")
    try:
        from distributed import Client
    except ImportError:
        raise InputError("Dask is not installed", field="scheduler", fix="run: pip install 'framematch[dask]'") from None
    try:
        client = Client(address, timeout=_ANSWERS_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise InputError(f"no scheduler answers at {address} ({type(error).__name__})", field="scheduler", fix="start one, or correct the address") from None
    try:
        try:
            there = client.run(_version)
        except Exception as error:  # whatever stands in the way of it there, it is not this version
            raise InputError(f"a worker can't run framematch ({type(error).__name__}: {error})", field="scheduler", fix=_SAME) from None
        if not there:
            raise InputError(f"the scheduler at {address} has no workers", field="scheduler", fix=f"start some: dask worker {address}")
        if other := sorted(set(there.values()) - {__version__}):
            raise InputError(f"a worker has framematch {other[0]}, this is {__version__}", field="scheduler", fix=_SAME)
        yield client
    finally:
        client.close()


_SAME = "install the same framematch with the same extras on every worker"


def _version() -> str:
    from framematch import __version__

    return __version__
