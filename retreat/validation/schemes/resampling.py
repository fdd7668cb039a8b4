"""What a resampling scheme needs: samples of whole patients, refits of the recipe, work shared among processes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
# told after each piece of work: pieces done, pieces in all
Progress = Callable[[int, int], None]

# Resamples worked on as one task, whatever the number of processes: so all give the same numbers to the last bit.
# Few, where a refit takes long, so that every process has work; refits in batches say their own number.
CHUNK = 16
# bytes; twice this is kept, more than the arrays of 100 samples of 1,000 cases take at a time
_KEPT = 1 << 24


class Refits(Protocol):
    """A recipe that can be redone on weighted samples of one table."""

    def predict(self, weights: FloatArray) -> tuple[FloatArray, dict[int, str]]:
        """Refit to each sample and predict every case of the table.

        Parameters
        ----------
        weights : ndarray of float, shape (samples, cases)
            How often each case stands in each sample, whole numbers; all cases of a patient alike.

        Returns
        -------
        ndarray of float, shape (samples, cases, ends, horizon)
            Cumulative incidences, NaN for a sample that could not be fitted.
        dict of int to str
            Why, by sample.
        """
        ...


def bootstrap_weights(group: IntArray, resamples: int, seed: int) -> FloatArray:
    """Samples of whole patients with replacement, as many as there are, shape (resamples, cases).

    Parameters
    ----------
    group : ndarray of int, shape (cases,)
        Patient of each case, numbered from 0 without holes.
    resamples : int
        How many.
    seed : int
        Seed of the draws.
    """
    n = int(group.max()) + 1
    rng = np.random.default_rng(seed)
    # rows in memory one after the other, as they arrive in another process: sums then have the same last bit
    weights = np.empty((resamples, len(group)))
    for block in chunks(weights, 64):  # draws that stay in cache; the numbers are those of one call
        chosen = rng.integers(0, n, size=(len(block), n))
        chosen += n * np.arange(len(block))[:, None]
        drawn = np.bincount(chosen.ravel(), minlength=len(block) * n).reshape(-1, n)
        block[:] = drawn.take(group, axis=1)
    return weights


def copies(weights: FloatArray) -> tuple[IntArray, IntArray]:
    """Rows of a sample one by one and the number of the copy each belongs to.

    Examples
    --------
    >>> [a.tolist() for a in copies(np.array([2.0, 0.0, 1.0]))]
    [[0, 2, 0], [0, 0, 1]]
    """
    most = int(weights.max(initial=0.0))
    rows = [np.flatnonzero(weights > copy) for copy in range(most)]
    number = [np.full(len(chosen), copy) for copy, chosen in enumerate(rows)]
    return np.concatenate(rows), np.concatenate(number)


def shared[Task, Result](
    work: Callable[[Task], Result],
    tasks: Iterable[Task],
    *,
    jobs: int = 1,
    cluster: str = "",
    progress: Progress | None = None,
) -> list[Result]:
    """Results of all tasks in their order, by one process, several, or a Dask cluster.

    Parameters
    ----------
    work : callable
        What is done with a task; it and its results travel between processes.
    tasks : iterable
        The tasks.
    jobs : int
        Processes on this machine; -1 is one a core.
    cluster : str
        Address of a Dask scheduler; empty for this machine.
    progress : callable, optional
        Told after each task.

    Raises
    ------
    FitError
        If the cluster cannot be reached or its library is not installed.
    """
    from joblib import Parallel, delayed  # heavy: only a scheme pays for it

    todo = list(tasks)
    results: list[Result] = []
    here = jobs == 1 and not cluster
    with _backend(cluster), one_thread() if here else nullcontext():
        found: Iterator[Result] = (
            (work(task) for task in todo)
            if here
            else Parallel(n_jobs=-1 if cluster else jobs, return_as="generator")(
                delayed(_alone)(work, task) for task in todo
            )
        )
        for result in found:
            results.append(result)
            if progress is not None:
                progress(len(results), len(todo))
    return results


def _alone[Task, Result](work: Callable[[Task], Result], task: Task) -> Result:
    with one_thread():
        return work(task)


def one_thread() -> AbstractContextManager[object]:
    """One thread for matrix products: several only wait for each other here, and would change the last bit."""
    from threadpoolctl import threadpool_limits

    limits: AbstractContextManager[object] = threadpool_limits(1)
    return limits


def keep_freed_memory() -> None:
    """Have the allocator keep what this process frees.

    The arrays of a task would else go back to the system and come again page by page, as slow as the arithmetic.
    The allocator of GNU systems keeps blocks up to the largest it has seen freed (mallopt(3), M_MMAP_THRESHOLD);
    this one is never written to, so takes no memory. Others take no notice.
    """
    np.empty(_KEPT, dtype=np.uint8)


@contextmanager
def _backend(cluster: str) -> Iterator[None]:
    """Work of joblib goes to this Dask scheduler; nothing changes without an address."""
    if not cluster:
        yield
        return
    from joblib import parallel_config

    try:
        from distributed import Client

        client = Client(cluster, timeout=20)  # type: ignore[no-untyped-call]
    except ImportError:
        raise FitError(
            Fault("cluster", "Dask is not installed", fix="pip install 'retreat[cluster]'")
        ) from None
    except (OSError, ValueError) as error:
        fix = "start a scheduler and give its address, such as tcp://127.0.0.1:8786"
        raise FitError(Fault("cluster", f"{cluster!r} cannot be reached ({error})", fix=fix)) from None
    with client, parallel_config(backend="dask"):
        yield


def chunks(weights: FloatArray, size: int = CHUNK) -> list[FloatArray]:
    """The samples in tasks of equal size."""
    return [weights[start : start + size] for start in range(0, len(weights), size)]
