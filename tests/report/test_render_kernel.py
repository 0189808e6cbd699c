"""The kernel of a report starts first and is gone whatever happens."""

import gc
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import nbformat
import pytest

import pitstats as ps
from pitstats.report.render import kernel, render_report, report
from pitstats.study.demo import demo_folder
from pitstats.study.shipped import shipped_folder

STUDY = demo_folder("one_bake_each")
EARLY = pytest.mark.skipif(sys.platform == "win32", reason="kernels start later there")


@pytest.fixture
def kernels(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Process ids of the kernels that were started early."""
    found: list[int] = []
    start = kernel.early_kernel

    @contextmanager
    def watched(notebook: Path, folder: Path) -> Iterator[object]:
        with start(notebook, folder) as manager:
            assert manager is not None
            found.append(manager.provisioner.pid)
            assert is_alive(found[-1])
            yield manager

    monkeypatch.setattr(report, "early_kernel", watched)
    return found


def is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_what_must_stay_is_told_before_any_work(
    tmp_path: Path, kernels: list[int]
) -> None:
    own = tmp_path / "one_bake_each-compare_pits.html"
    own.write_text("mine")
    with pytest.raises(ps.ExistsError, match=r"not made by pitstats: one_bake_each"):
        render_report(STUDY, out=tmp_path, overwrite=True, progress=False)
    assert kernels == []
    assert own.read_text() == "mine"
    assert list(tmp_path.iterdir()) == [own]


def write_notebook(path: Path, *code: str, kernelspec: str = "python3") -> str:
    parameters = nbformat.v4.new_code_cell(
        'study_path: str = ""  # study\noutput_folder: str = ""  # where things go',
        metadata={"tags": ["parameters"]},
    )
    cells = [parameters, *map(nbformat.v4.new_code_cell, code)]
    spec = {"name": kernelspec, "language": "python", "display_name": "Python 3"}
    nbformat.write(
        nbformat.v4.new_notebook(cells=cells, metadata={"kernelspec": spec}), path
    )
    return str(path)


@EARLY
def test_the_notebook_runs_in_the_kernel_that_was_started_early(
    tmp_path: Path, kernels: list[int]
) -> None:
    own = write_notebook(
        tmp_path / "own.ipynb",
        "import os, sys\nfrom pathlib import Path",
        "print(os.getpid(), Path.cwd().parent == Path(output_folder).parent.parent)",
        "print('pandas' in sys.modules)",
    )
    html = render_report(None, notebook=own, out=tmp_path / "out", progress=False)
    executed = nbformat.read(html.with_suffix(".ipynb"), as_version=4)
    shown = [o["text"].strip() for c in executed.cells for o in c.get("outputs", [])]
    assert shown == [f"{kernels[0]} True", "True"]
    assert not is_alive(kernels[0])


@EARLY
@pytest.mark.parametrize(
    ("study", "parameters"),
    [("not there", {}), (STUDY, {"margn": 1}), (STUDY, {"conf_level": "high"})],
)
def test_what_cannot_be_rendered_leaves_no_kernel_and_no_folder(
    study: Path | str,
    parameters: dict[str, object],
    tmp_path: Path,
    kernels: list[int],
) -> None:
    out = tmp_path / "new" / "deeper"
    with pytest.raises(ps.errors.PitstatsError):
        render_report(study, out=out, parameters=parameters, progress=False)
    assert len(kernels) == 1
    assert not is_alive(kernels[0])
    assert list(tmp_path.iterdir()) == []


@EARLY
def test_an_interruption_leaves_no_kernel_and_no_folder(
    tmp_path: Path, kernels: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(report, "execute", interrupted)
    with pytest.raises(KeyboardInterrupt):
        render_report(STUDY, out=tmp_path / "out", progress=False)
    assert not is_alive(kernels[0])
    assert list(tmp_path.iterdir()) == []


@EARLY
def test_a_kernel_that_dies_is_told_and_nothing_stays(
    tmp_path: Path, kernels: list[int]
) -> None:
    own = write_notebook(tmp_path / "own.ipynb", "import os\nos._exit(3)")
    with pytest.raises(ps.RenderError, match="kernel of notebook own died"):
        render_report(None, notebook=own, out=tmp_path / "out", progress=False)
    assert not is_alive(kernels[0])
    assert [p.name for p in tmp_path.iterdir()] == ["own.ipynb"]


def test_garbage_is_looked_for_as_before_when_a_report_is_done(tmp_path: Path) -> None:
    before = gc.get_threshold()
    with pytest.raises(ps.RenderError):
        render_report(STUDY, out=tmp_path, parameters={"margn": 1}, progress=False)
    assert gc.get_threshold() == before


def test_a_folder_that_was_there_stays_when_a_report_fails(tmp_path: Path) -> None:
    out = tmp_path / "mine"
    out.mkdir()
    with pytest.raises(ps.RenderError):
        render_report(STUDY, out=out, parameters={"margn": 1}, progress=False)
    assert list(out.iterdir()) == []


@pytest.mark.parametrize(
    "text",
    ["no JSON", "[]", "{}", '{"metadata": {"kernelspec": 3}}'],
)
def test_a_kernel_that_is_not_this_python_is_left_to_papermill(
    text: str, tmp_path: Path
) -> None:
    odd = tmp_path / "odd.ipynb"
    odd.write_text(text, "utf-8")
    with kernel.early_kernel(odd, tmp_path) as manager:
        assert manager is None


def test_a_notebook_for_an_unknown_kernel_says_so(tmp_path: Path) -> None:
    own = write_notebook(tmp_path / "own.ipynb", "1", kernelspec="no_such_kernel")
    with pytest.raises(
        ps.RenderError, match="'no_such_kernel', which is not installed"
    ):
        render_report(None, notebook=own, out=tmp_path / "out", progress=False)
    assert not (tmp_path / "out").exists()


def test_what_is_no_notebook_says_so(tmp_path: Path) -> None:
    own = tmp_path / "own.ipynb"
    own.write_text("no notebook", "utf-8")
    with pytest.raises(ps.RenderError, match="cannot be read as a notebook"):
        render_report(None, notebook=str(own), out=tmp_path / "out", progress=False)
    assert not (tmp_path / "out").exists()


def test_shipped_notebooks_name_the_kernel_that_is_started_early() -> None:
    for path in shipped_folder("notebooks").glob("*.ipynb"):
        assert (kernel._manager(path) is None) == (sys.platform == "win32")
