"""Which versions made something."""

from __future__ import annotations

from collections.abc import Iterable


def versions(names: Iterable[str]) -> dict[str, str]:
    """Versions of installed packages; this one may be used without being installed.

    Examples
    --------
    >>> list(versions(["numpy"]))
    ['numpy']
    """
    from importlib.metadata import PackageNotFoundError, version

    from pitstats import __version__

    found = {}
    for name in names:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = __version__ if name == "pitstats" else "unknown"
    return found
