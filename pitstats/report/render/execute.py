"""Run a notebook, and tell in a cook's words what stopped it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pitstats.errors import PitstatsError, RenderError, RenderUsageError
from pitstats.report.render.kernel import KERNEL_ARGUMENTS, KERNEL_ENVIRONMENT

if TYPE_CHECKING:
    from jupyter_client.manager import AsyncKernelManager
    from papermill.exceptions import PapermillExecutionError


def execute(
    source: Path,
    values: dict[str, object],
    work: Path,
    kernel: AsyncKernelManager | None,
    *,
    progress: bool,
) -> Any:
    """Run a notebook and return it; it is written only once it has run to its end."""
    import logging

    import papermill
    from nbclient.exceptions import DeadKernelError
    from papermill.exceptions import PapermillExecutionError

    # Papermill's own log lines repeat what the progress bar shows.
    logging.getLogger("papermill").setLevel(logging.WARNING)
    with _quiet_kernel():
        try:
            return papermill.execute_notebook(
                str(source),
                None,
                parameters=values,
                progress_bar=progress,
                log_output=False,
                cwd=str(work),
                km=kernel,
                extra_arguments=list(KERNEL_ARGUMENTS),
            )
        except PapermillExecutionError as error:
            raise _stopped(source, error) from error
        except DeadKernelError as error:
            raise RenderError(
                f"The kernel of notebook {source.stem} died (out of memory?). Nothing "
                "was written."
            ) from error


def _stopped(source: Path, error: PapermillExecutionError) -> PitstatsError:
    """Tell what stopped a notebook; what a user can mend is told in its own words."""
    from pitstats import errors

    known = getattr(errors, str(error.ename), None)
    if known is errors.InvalidStudyError:
        # What is read was checked before; these are counts that were asked for.
        return RenderUsageError(str(error.evalue))
    if isinstance(known, type) and issubclass(known, errors.DesignError):
        asked = issubclass(known, errors.ArgumentError)
        return RenderUsageError(str(error.evalue)) if asked else known(error.evalue)
    return RenderError(
        f"Notebook {source.stem} stopped at its cell {error.exec_count}: "
        f"{error.ename}: {error.evalue}"
    )


@contextmanager
def _quiet_kernel() -> Iterator[None]:
    """Keep the kernel's start-up remarks and frozen-module notes off the screen."""
    before = {key: os.environ.get(key) for key in KERNEL_ENVIRONMENT}
    os.environ.update(KERNEL_ENVIRONMENT)
    try:
        yield
    finally:
        for key, value in before.items():
            if value is None:
                os.environ.pop(key, None)
            else:
                os.environ[key] = value
