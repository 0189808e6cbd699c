"""Notebooks rendered to pages: complete, offline, whole or not at all."""

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path

import nbformat
import pandas as pd
import pytest

import pitstats as ps
from pitstats.exchange.carried import carried_package
from pitstats.exchange.package import package_files
from pitstats.exchange.zip_file import zip_bytes
from pitstats.report.pages import COMPARE_PITS
from pitstats.report.render import (
    kernel,
    notebook_names,
    parse_parameters,
    render_report,
)
from pitstats.report.render.parameters import Declared, declared_parameters
from pitstats.study.demo import copy_demo, demo_folder
from pitstats.study.shipped import shipped_folder
from tests.analysis.retest.test_retest import moved_damper
from tests.report.html_audit import Audit

NASTY = '<script>alert("1")</script> & $x^2$ {{ 7*7 }} =1+1'


def audit(page: Path) -> Audit:
    return Audit(page.read_text("utf-8"))


@pytest.fixture(scope="module")
def whole_page(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """Undated page of a demo study, alone in its folder, rendered once."""

    @cache
    def page(name: str) -> Path:
        out = tmp_path_factory.mktemp(name)
        return render_report(demo_folder(name), out=out, progress=False, dated=False)

    return page


# Every other demo is shown section by section in tests/report/test_every_study.py.
@pytest.mark.parametrize("name", ["four_pits", "one_bake_each"])
def test_a_demo_study_becomes_a_complete_offline_page(
    name: str, whole_page: Callable[[str], Path]
) -> None:
    html = whole_page(name)
    folder = html.parent
    assert html.name == f"{name}-compare_pits.html"
    page = audit(html)
    text = html.read_text("utf-8")
    assert page.remote == []
    assert name != "four_pits" or html.stat().st_size <= 1_000_000
    assert not re.search(r"url\(\s*['\"]?https?:|@import", text)
    assert len(page.alts) >= 2
    assert all(page.alts)
    assert len(set(page.sections)) == len(page.sections) >= 10
    assert set(page.links) <= set(page.sections) - {"not-asked"}
    assert len(page.chapters) >= 3
    assert text.count('id="first-page"') == 1
    files = folder / f"{name}-compare_pits-files"
    assert len(page.alts) == len(list((files / "figures").glob("*.png")))
    assert {p.suffix for p in (files / "figures").iterdir()} == {".png", ".svg"}
    kept = pd.read_csv(files / "tables" / "pairs.csv")
    expected = ps.compare_both_ways(ps.demo_study(name)).leading.table
    pd.testing.assert_frame_equal(kept, expected, check_dtype=False)
    stamp = json.loads((files / "stamp.json").read_text("utf-8"))
    assert "SHA-256" in stamp["Data"]
    assert "pandas" in stamp["Versions"]
    assert "conf_level = the level stated in the study" in stamp["Parameters"]
    assert sorted(path.name for path in files.iterdir()) == [
        ".report-made-by-pitstats.json",
        "figures",
        "stamp.json",
        "tables",
    ]
    executed = nbformat.read(folder / f"{name}-compare_pits.ipynb", as_version=4)
    outputs = [o for c in executed.cells for o in c.get("outputs", [])]
    assert outputs
    assert not [o for o in outputs if o["output_type"] == "error"]
    assert not [o for o in outputs if o["output_type"] == "stream"]
    assert sorted(p.name for p in folder.iterdir()) == sorted(
        [html.name, f"{name}-compare_pits.ipynb", files.name]
    )
    # Nothing of the machine it was made on.
    assert str(folder) not in text
    notebook_text = (folder / f"{name}-compare_pits.ipynb").read_text("utf-8")
    assert str(folder) not in notebook_text


def test_without_an_early_kernel_the_report_is_the_same(
    whole_page: Callable[[str], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = whole_page("one_bake_each")
    monkeypatch.setattr(kernel, "_manager", lambda notebook: None)
    study = demo_folder("one_bake_each")
    second = render_report(study, out=tmp_path, progress=False, dated=False)
    made = [p.with_name(f"{p.stem}-files") for p in (first, second)]
    names = [sorted(p.relative_to(f) for p in f.rglob("*.*")) for f in made]
    assert names[0] == names[1]
    assert any(name.suffix == ".svg" for name in names[0])
    for name in names[0]:
        assert (made[0] / name).read_bytes() == (made[1] / name).read_bytes(), name
    pages = [p.read_text("utf-8") for p in (first, second)]
    assert pages[0] == pages[1]
    notebook = first.with_suffix(".ipynb").read_text("utf-8")
    ids = [nbformat.read(p.with_suffix(".ipynb"), 4).cells for p in (first, second)]
    assert [c["id"] for c in ids[0]] == [c["id"] for c in ids[1]]
    assert notebook.count("data:image/png;base64,iVBOR") == pages[0].count("<img ") >= 2


def test_another_machine_would_pack_the_same_bytes(
    whole_page: Callable[[str], Path], tmp_path: Path
) -> None:
    study, target = tmp_path / "yard 1" / "one_bake_each", tmp_path / "my_test.zip"
    copy_demo("one_bake_each", study)
    there = {"TZ": "America/Lima", "LC_ALL": "de_DE.UTF-8", "PYTHONHASHSEED": "77"}
    subprocess.run(
        [sys.executable, "-m", "pitstats", "pack", study, "--out", target],
        cwd=study.parent,
        env=os.environ | there,
        check=True,
        capture_output=True,
    )
    here = {"report.html": whole_page("one_bake_each").read_bytes()}
    files = package_files(ps.demo_study("one_bake_each"), further=here)
    assert target.read_bytes() == zip_bytes(files)
    assert ps.verify_package(target).same


def test_probe_readings_become_a_page(tmp_path: Path) -> None:
    name = "probed_pits"
    html = render_report(
        demo_folder(name), notebook="read_probes", out=tmp_path, progress=False
    )
    page = audit(html)
    assert page.remote == []
    assert all(page.alts)
    text = html.read_text("utf-8")
    assert "Beyond this record: probe readings" not in text
    assert "own gauge" in text
    executed = nbformat.read(tmp_path / f"{name}-read_probes.ipynb", as_version=4)
    outputs = [o for c in executed.cells for o in c.get("outputs", [])]
    assert not [o for o in outputs if o["output_type"] in ("error", "stream")]


@pytest.mark.parametrize("name", ["plan_bakes", "noise_check", "season"])
def test_notebooks_that_need_no_study_render_too(name: str, tmp_path: Path) -> None:
    parameters: dict[str, object] = {"simulations": 200} if name != "season" else {}
    if name == "plan_bakes":
        parameters |= {"bakes": [2, 3], "items": [12], "sd_bake": [0.6]}
        parameters |= {"grates": {"Quarry": [3, 6], "Ferry": [3, 5]}}
        parameters |= {"budget": 300.0, "cost_per_bake": 20.0, "cost_per_item": 0.5}
    html = render_report(
        None, notebook=name, out=tmp_path, parameters=parameters, progress=False
    )
    page = audit(html)
    assert page.remote == []
    assert len(page.alts) >= 1
    assert all(page.alts)
    assert (tmp_path / f"{name}-files" / "tables").is_dir()


def test_noise_check_reads_a_study_too(
    tmp_path: Path, whole_page: Callable[[str], Path]
) -> None:
    html = render_report(
        demo_folder("one_bake_each"),
        notebook="noise_check",
        out=tmp_path,
        parameters={"simulations": 100, "conf_level": 0.8},
        progress=False,
    )
    assert "each pit was baked once" in html.read_text("utf-8")
    files = tmp_path / "one_bake_each-noise_check-files"
    assert len(audit(html).alts) == len(list((files / "figures").glob("*.png")))
    used = json.loads((files / "stamp.json").read_text("utf-8"))["Parameters"]
    assert "study_path = one_bake_each, conf_level = 0.8" in used
    for unused in ("pits =", "items =", "burned =", "margin ="):
        assert unused not in used
    kept = pd.read_csv(files / "tables" / "rates_burned.csv")
    expected = ps.estimate_burn_rates(ps.demo_study("one_bake_each"), 0.8).table
    assert kept["conf_low"].tolist() == pytest.approx(expected["conf_low"].tolist())
    # The data that the page carries are at the level that the study states.
    pages = (html, whole_page("one_bake_each"))
    carried = [carried_package(page.read_text("utf-8")) for page in pages]
    assert carried[0] == carried[1]


def test_a_level_left_alone_is_that_of_the_study() -> None:
    declared = declared_parameters(shipped_folder("notebooks") / "noise_check.ipynb")
    used = declared.shown({"study_path": "mine/one_bake_each"})
    assert "study_path = one_bake_each, conf_level = the study's own" in used


def test_what_users_type_is_shown_as_text(tmp_path: Path) -> None:
    study = ps.demo_study("one_bake_each")
    names = {"Quarry": NASTY, "Ferry": "Ferry\nsecond line"}
    renamed = ps.Study(
        settings=ps.Settings(
            title=NASTY, question=NASTY, temperature_rule="same grate", stop_rule=NASTY
        ),
        pits=study.pits.assign(pit=study.pits["pit"].map(names)),
        bakes=study.bakes.drop(
            columns=["target_temp", "indicated_temp", "grate_temp", "ambient_temp"]
        ).assign(pit=study.bakes["pit"].map(names), bake=[NASTY, "=1+1"]),
        items=study.items.assign(
            bake=study.items["bake"].map({"Quarry-1": NASTY, "Ferry-1": "=1+1"})
        ),
    )
    folder = tmp_path / "odd study"
    ps.write_study(renamed, folder)
    html = render_report(folder, out=tmp_path / "out", progress=False)
    page = audit(html)
    assert html.read_text("utf-8").count("<script>") == 1
    assert "&lt;script&gt;" in html.read_text("utf-8")
    assert page.remote == []


def test_an_unknown_parameter_stops_with_the_known_ones(tmp_path: Path) -> None:
    with pytest.raises(
        ps.RenderError, match=r"no parameter 'margn'.*conf_level"
    ) as error:
        render_report(
            demo_folder("one_bake_each"), out=tmp_path, parameters={"margn": 0.1}
        )
    assert "conf_level" in str(error.value)
    assert "output_folder" not in str(error.value)
    assert list(tmp_path.iterdir()) == []


def test_a_mistyped_parameter_stops_with_its_type(tmp_path: Path) -> None:
    with pytest.raises(ps.RenderError, match="must be a number"):
        render_report(
            demo_folder("one_bake_each"), out=tmp_path, parameters={"conf_level": "9"}
        )
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("place", ["elsewhere", 3])
def test_the_place_of_a_report_is_not_a_parameter(
    place: object, tmp_path: Path
) -> None:
    given = {"output_folder": place}
    with pytest.raises(ps.RenderError, match=r"set by the report itself.*--out"):
        render_report(demo_folder("one_bake_each"), out=tmp_path, parameters=given)
    assert list(tmp_path.iterdir()) == []


def test_what_a_study_takes_the_place_of_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ps.RenderError, match=r"burned .*is used only without a study"):
        render_report(
            demo_folder("one_bake_each"),
            notebook="noise_check",
            out=tmp_path,
            parameters={"burned": [1, 2]},
        )
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("value", "stands_for", "shown"),
    [
        (0.0, {"a": "the level stated in the study"}, "the level stated in the study"),
        ("0.0", {"a": "none"}, "none"),
        (0.9, {"a": "the level stated in the study"}, "0.9"),
        ('""', {"a": "not stated"}, "not stated"),
        ("0.0", {}, "0.0"),
        (1, {}, "1"),
    ],
)
def test_a_stamp_says_what_a_parameter_left_alone_means(
    value: object, stands_for: dict[str, str], shown: str
) -> None:
    assert Declared("n", {"a": {}}, stands_for).shown({"a": value}) == f"a = {shown}"


def test_a_failing_notebook_leaves_nothing_behind(tmp_path: Path) -> None:
    notebook = tmp_path / "broken.ipynb"
    cells = [
        nbformat.v4.new_code_cell(
            'study_path: str = ""  # study', metadata={"tags": ["parameters"]}
        ),
        nbformat.v4.new_code_cell("raise ValueError('the oven is cold')"),
    ]
    kernel = {"name": "python3", "language": "python", "display_name": "Python 3"}
    nbformat.write(
        nbformat.v4.new_notebook(cells=cells, metadata={"kernelspec": kernel}), notebook
    )
    out = tmp_path / "out"
    with pytest.raises(ps.RenderError, match="the oven is cold"):
        render_report(
            demo_folder("one_bake_each"),
            notebook=str(notebook),
            out=out,
            progress=False,
        )
    assert not out.exists()


def test_an_earlier_report_is_left_as_it_is_unless_asked(tmp_path: Path) -> None:
    earlier = tmp_path / "one_bake_each-compare_pits.html"
    earlier.write_text("mine")
    with pytest.raises(ps.ExistsError, match="left as it is"):
        render_report(demo_folder("one_bake_each"), out=tmp_path)
    assert earlier.read_text() == "mine"


def test_a_study_with_problems_is_refused_before_anything_runs(tmp_path: Path) -> None:
    with pytest.raises(ps.InvalidStudyError):
        render_report(tmp_path / "not there", out=tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_an_unknown_notebook_is_refused_with_the_shipped_names(tmp_path: Path) -> None:
    with pytest.raises(ps.RenderError, match="compare_pits"):
        render_report(demo_folder("one_bake_each"), notebook="comparepits")


@pytest.mark.parametrize("name", notebook_names())
def test_notebooks_are_narrative_and_carry_no_output(name: str) -> None:
    path = shipped_folder("notebooks") / f"{name}.ipynb"
    notebook = nbformat.read(path, as_version=4)
    code = [c for c in notebook.cells if c.cell_type == "code"]
    assert all(not c.outputs and c.execution_count is None for c in code)
    words = re.compile(r"^\s*(def|class|for|while|import numpy|import pandas)\b", re.M)
    assert not [c.source for c in code if words.search(c.source)]
    tags = [tag for c in notebook.cells for tag in c.metadata.get("tags", [])]
    assert tags.count("parameters") == 1
    assert tags.count("setup") == 1


def test_the_notebook_asks_what_its_first_page_links_to() -> None:
    path = shipped_folder("notebooks") / "compare_pits.ipynb"
    code = "\n".join(cell.source for cell in nbformat.read(path, as_version=4).cells)
    linked = [own.__name__ for part in COMPARE_PITS for own in part.sections]
    assert re.findall(r"^page\.show\(ps\.ask\.(\w+)\(", code, re.M) == linked


@pytest.mark.parametrize("name", notebook_names())
def test_every_parameter_has_a_type_and_a_comment(name: str) -> None:
    import papermill

    found = papermill.inspect_notebook(
        str(shipped_folder("notebooks") / f"{name}.ipynb")
    )
    assert found
    cells = nbformat.read(shipped_folder("notebooks") / f"{name}.ipynb", as_version=4)
    code = [cell.source for cell in cells.cells if cell.cell_type == "code"]
    for parameter in found.values():
        assert parameter["inferred_type_name"] not in ("None", "")
        assert parameter["help"]
        # What nothing below reads would be set in vain.
        assert re.search(rf"\b{parameter['name']}\b", "\n".join(code[1:]))


def test_parameters_from_texts() -> None:
    assert parse_parameters(["a=1", "b=0.5", "c=true", "d=x=y"]) == {
        "a": 1,
        "b": 0.5,
        "c": True,
        "d": "x=y",
    }
    with pytest.raises(ps.RenderError, match="NAME=VALUE"):
        parse_parameters(["a"])


def test_a_season_becomes_a_page(tmp_path: Path) -> None:
    for name in ("one_bake_each", "nothing_burned"):
        ps.write_study(ps.demo_study(name), tmp_path / "season" / name)
    html = render_report(
        tmp_path / "season", notebook="season", out=tmp_path / "reports", progress=False
    )
    assert html.name == "season-season.html"
    text = html.read_text("utf-8")
    assert "Over the season" in text
    assert 'id="season-pairs"' in text
    assert "season_path = season," in text
    # Seen from the page; where the folders lie is nobody's business.
    assert str(tmp_path) not in text
    executed = html.with_suffix(".ipynb").read_text("utf-8")
    assert "season_path = '../season'" in executed
    assert str(tmp_path) not in executed


def test_a_retest_becomes_a_page(tmp_path: Path) -> None:
    ps.write_study(moved_damper(), tmp_path / "damper")
    html = render_report(
        tmp_path / "damper",
        notebook="retest_setting",
        out=tmp_path / "out",
        progress=False,
    )
    text = html.read_text("utf-8")
    assert "Did the change help?" in text
    assert 'id="what-else"' in text
