"""How many processes to work with, decided once for everything that can be divided."""

from __future__ import annotations


def workers(n_jobs: int | None, *, pieces: int, long: bool = True) -> int | None:
    """Number of processes for `joblib.Parallel`.

    Parameters
    ----------
    n_jobs : int or None
        As asked; None leaves it to the surroundings.
    pieces : int
        Pieces of work.
    long : bool, default True
        Whether the work is worth starting processes for.

    Returns
    -------
    int or None
        As asked; None under a configured `joblib.parallel_config`, such as workers of a
        cluster; otherwise all cores for long work and 1 for short.

    Examples
    --------
    >>> workers(3, pieces=10)
    3
    """
    if n_jobs is not None:
        return n_jobs
    from joblib import cpu_count
    from joblib.parallel import get_active_backend

    # What is not configured was 1 before joblib 1.6 and is None since.
    backend, configured = get_active_backend()
    if configured not in (None, 1) or type(backend).__name__ != "LokyBackend":
        return None
    return min(int(cpu_count()), max(pieces, 1)) if long else 1
