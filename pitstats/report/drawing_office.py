"""Where the renderer draws what the kernel of a report hands over."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from importlib import import_module
from types import TracebackType
from typing import Any, Generic, NamedTuple, Self, TypeVar

from pitstats.errors import RenderError
from pitstats.report.drawing import AHEAD, Shown, asked_for

Made = TypeVar("Made")


class _Order(NamedTuple):
    """A picture that is being made, and where it goes."""

    output: Any
    cell: int | None
    picture: Future[Shown]


def _prepare() -> None:
    """Load what drawings consist of: to load it later would hold up the kernel."""
    from pitstats.figures.printing import get_ready

    get_ready()
    import_module("pitstats.report.compare_page")


class DrawingOffice(Generic[Made]):
    """One thread that draws while this process waits for the kernel.

    Parameters
    ----------
    notebook : str
        Name for error messages.
    ahead : callable
        Without arguments; makes something that is wanted after the last cell.

    Notes
    -----
    Nothing starts before `get_ready`.
    """

    def __init__(self, notebook: str, ahead: Callable[[], Made]) -> None:
        self._notebook = notebook
        self._ahead = ahead
        self._orders: list[_Order] = []
        # Figures drawn before the page comes to them, by the file they are kept as.
        self._begun: dict[str, Future[Shown]] = {}
        self._thread = ThreadPoolExecutor(max_workers=1)
        self._is_open = True

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._is_open = False
        self._thread.shutdown(cancel_futures=True)

    def get_ready(self) -> None:
        """Load what drawing needs, and make what is wanted after the last cell."""
        self._thread.submit(_prepare)
        self._made = self._thread.submit(self._ahead)

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
        if not self._is_open or not cell.get("outputs"):
            return
        cell.outputs = [own for own in cell.outputs if not self._begin(own)]
        for output in cell.outputs:
            drawing = asked_for(output.get("data", {}))
            if drawing is not None:
                picture = self._begun.pop(str(drawing.path), None)
                picture = picture or self._thread.submit(drawing.shown)
                self._orders.append(_Order(output, cell.execution_count, picture))

    def _begin(self, output: Any) -> bool:
        """Begin with a figure whose place is still to come, if that is the order."""
        drawing = asked_for(output.get("data", {}), AHEAD)
        if drawing is None:
            return False
        self._begun[str(drawing.path)] = self._thread.submit(drawing.shown)
        return True

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
