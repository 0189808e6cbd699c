"""What the kernel of a report loads while the renderer is still getting ready.

An extension of IPython: the renderer names it when it starts the kernel.
"""

from __future__ import annotations

from importlib import import_module

# Whatever a shipped notebook is going to need anyway; drawing is the renderer's.
_NEEDED = (
    "pandas",
    "jinja2",
    "scipy.stats",
    "patsy",
    "statsmodels.genmod.generalized_estimating_equations",
    "pitstats.report.compare_page",
)


def load_ipython_extension(shell: object) -> None:
    """Load the heavy parts, and let the renderer draw.

    Parameters
    ----------
    shell : IPython.core.interactiveshell.InteractiveShell
        Not used.
    """
    from pitstats.report.kernel import collect_rarely
    from pitstats.report.page import Page

    collect_rarely()
    Page.hands_over = True
    for name in _NEEDED:
        import_module(name)
