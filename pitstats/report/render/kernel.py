"""The kernel of a report: started first of all, so that it is ready when needed."""

from __future__ import annotations

import gc
import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from pitstats.errors import RenderUsageError

if TYPE_CHECKING:
    from jupyter_client.manager import AsyncKernelManager

# What a kernel is told at its start. It remarks on its transport every time; what stops
# a notebook is told by the renderer.
KERNEL_ARGUMENTS = ("--IPKernelApp.log_level=50",)
# Keeps the note about frozen modules off the screen.
KERNEL_ENVIRONMENT = {"PYDEVD_DISABLE_FILE_VALIDATION": "1"}

# With glibc, memory that one array gave back serves the next: to get fresh pages from
# the system took a tenth of the time of the estimates. Elsewhere it means nothing.
# Matrices are small: threads for one product took more time than the product.
_FRUGAL = {
    "OMP_NUM_THREADS": "1",
    "MALLOC_MMAP_THRESHOLD_": str(2**28),
    "MALLOC_TRIM_THRESHOLD_": str(2**28),
    "MALLOC_TOP_PAD_": str(2**26),
}

_OWN_ARGUMENTS = (
    *KERNEL_ARGUMENTS,
    "--HistoryManager.hist_file=:memory:",
    "--IPKernelApp.extra_extensions=pitstats.report.render.warm_up",
)


@contextmanager
def rare_collections() -> Iterator[None]:
    """Look for garbage rarely inside this block.

    Libraries and figures are made of many small objects that stay; looking through them
    again and again takes a tenth of the time of a report.
    """
    before = gc.get_threshold()
    collect_rarely()
    try:
        yield
    finally:
        gc.set_threshold(*before)


def collect_rarely() -> None:
    """Let this process look for garbage rarely."""
    gc.set_threshold(100_000, 20, 100)


@contextmanager
def early_kernel(notebook: Path, folder: Path) -> Iterator[AsyncKernelManager | None]:
    """Start the kernel of a notebook now, and end it whatever happens in this block.

    It loads what notebooks need while this process loads papermill and reads the study.
    """
    manager = _manager(notebook)
    if manager is None:
        yield None
        return
    from jupyter_core.utils import run_sync

    run_sync(manager.start_kernel)(
        extra_arguments=list(_OWN_ARGUMENTS),
        cwd=str(folder),
        env=_FRUGAL | os.environ | KERNEL_ENVIRONMENT,
    )
    try:
        yield manager
    finally:
        # What it was to write is written; there is nothing it could tidy up.
        run_sync(manager.shutdown_kernel)(now=True)


def _manager(notebook: Path) -> AsyncKernelManager | None:
    """Return a manager for kernels that run in this very Python, else None."""
    from jupyter_client.kernelspec import NoSuchKernel
    from jupyter_client.manager import AsyncKernelManager

    try:
        name = json.loads(notebook.read_text("utf-8"))["metadata"]["kernelspec"]["name"]
    except (ValueError, KeyError, TypeError):
        return None
    manager = AsyncKernelManager(kernel_name=str(name))
    try:
        spec = manager.kernel_spec
    except NoSuchKernel as error:
        raise RenderUsageError(
            f"Notebook {notebook.stem} asks for the kernel {name!r}, which is not "
            "installed. Set its kernel to Python 3 in JupyterLab and save it."
        ) from error
    # Papermill changes the event loop there, to one that a kernel must be started in.
    if sys.platform == "win32":
        return None
    here = {"python", f"python{sys.version_info[0]}", sys.executable}
    return manager if spec is not None and spec.argv[0] in here else None
