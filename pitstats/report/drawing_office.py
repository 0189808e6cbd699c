"""Where the renderer draws what the kernel of a report hands over."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from importlib import import_module
from types import TracebackType
from typing import Any, Generic, NamedTuple, Self, TypeVar

from pitstats.errors import RenderError
from pitstats.report.drawing import Shown, asked_for

Made = TypeVar("Made")


class _Order(NamedTuple):
    """A picture that is being made, and where it goes."""

    output: Any
    cell: int | None
    picture: Future[Shown]


class DrawingOffice(Generic[Made]):
    """One thread that draws while this process waits for the kernel.

    Parameters
    ----------
    notebook : str
        Name for error messages.
    ahead : callable
        Without arguments; makes something that is wanted after the last cell.
    """

    def __init__(self, notebook: str, ahead: Callable[[], Made]) -> None:
        self._notebook = notebook
        self._ahead = ahead
        self._orders: list[_Order] = []
        self._thread = ThreadPoolExecutor(max_workers=1)
        self._is_open = True

    def __enter__(self) -> Self:
        for name in ("pitstats.figures.printing", "matplotlib.figure"):
            self._thread.submit(import_module, name)
        self._made = self._thread.submit(self._ahead)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._is_open = False
        self._thread.shutdown(cancel_futures=True)

    def take(self, *, cell: Any, cell_index: int, execute_reply: object) -> None:
        """Take the orders of a cell that has just run; nbclient calls this.

        Parameters
        ----------
        cell : nbformat.NotebookNode
            The cell with its outputs.
        cell_index : int
            Not used.
        execute_reply : object
            Not used.
        """
        # After an interruption the event loop may still finish a cell.
        for output in cell.get("outputs", []) if self._is_open else []:
            drawing = asked_for(output.get("data", {}))
            if drawing is not None:
                picture = self._thread.submit(drawing.shown)
                self._orders.append(_Order(output, cell.execution_count, picture))

    def deliver(self) -> Made:
        """Put every picture into its place, and hand out what was made ahead.

        Raises
        ------
        RenderError
            If a figure could not be drawn.
        """
        for order in self._orders:
            try:
                order.output.data, order.output.metadata = order.picture.result()
            except Exception as error:
                raise RenderError(
                    f"Notebook {self._notebook} stopped at its cell {order.cell}: "
                    f"{type(error).__name__}: {error}"
                ) from error
        return self._made.result()
