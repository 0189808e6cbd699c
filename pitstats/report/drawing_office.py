"""Where the renderer draws what the kernel of a report hands over."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from importlib import import_module
from types import TracebackType
from typing import TYPE_CHECKING, Any, Generic, NamedTuple, Self, TypeVar

from pitstats.errors import RenderError
from pitstats.report.drawing import AHEAD, RECIPE, Shown, asked_for

if TYPE_CHECKING:
    from pitstats.figures.printing import Print

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
        self._cells: list[Any] = []
        # Figures drawn before the page comes to them, by their recipe. They are kept
        # when it does: a page may show others, or none.
        self._begun: dict[str, Future[Print]] = {}
        self._thread = ThreadPoolExecutor(max_workers=1)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
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
        # Orders stay among the outputs: later cells may update one by its place.
        self._cells.append(cell)
        for output in cell.get("outputs", []):
            data = output.get("data", {})
            first = asked_for(data, AHEAD)
            drawing = asked_for(data)
            if first is not None:
                self._begun[data[AHEAD]] = self._thread.submit(first.printed)
            elif drawing is not None:
                begun = self._begun.pop(data[RECIPE], None)
                picture = self._thread.submit(drawing.shown, begun)
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
        for cell in self._cells:
            if cell.get("outputs"):
                cell.outputs = [
                    own for own in cell.outputs if AHEAD not in own.get("data", {})
                ]
        return self._made.result()
