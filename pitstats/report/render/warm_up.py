"""What the kernel of a report loads while the renderer is still getting ready.

An extension of IPython: the renderer names it when it starts the kernel.
"""

from __future__ import annotations

from importlib import import_module

# Whatever a shipped notebook is going to need anyway.
_NEEDED = (
    "pandas",
    "jinja2",
    "scipy.stats",
    "patsy",
    "pitstats.report.pages",
    "matplotlib.backends.backend_agg",
)


def load_ipython_extension(shell: object) -> None:
    """Load the heavy parts; IPython hands its shell, which is not used."""
    from pitstats.report.render.kernel import collect_rarely

    collect_rarely()
    for name in _NEEDED:
        import_module(name)
