"""The page in Chromium: accessible, no wider than a phone, chapters open on a link."""

import html
import json
import re
import subprocess
from functools import cache
from importlib.resources import files
from pathlib import Path
from shutil import which
from typing import Any, NamedTuple

import nbformat
import pytest

import pitstats as ps
from pitstats.exchange.carried import data_link, sealed
from pitstats.exchange.package import package_files
from pitstats.exchange.zip_file import zip_bytes
from pitstats.report.pages import COMPARE_PITS
from pitstats.report.render.page_html import page_html
from tests.browser import chromium, downloaded
from tests.report.studies import results_of

CHROMIUM = which("chromium") or ""
AXE = files("axe_core_python").joinpath("axe.min.js").read_text("utf-8")
pytestmark = [
    pytest.mark.chromium,
    pytest.mark.skipif(not CHROMIUM, reason="chromium is not on the path"),
]

# Several views of a page in one browser, which takes longer to start than to look.
_FRAMES = """<!DOCTYPE html><html><body style="margin:0"><pre id="found"></pre>
<script>const found = new Map(); addEventListener("message", (event) => {
  const frames = [...document.querySelectorAll("iframe")];
  const views = frames.map((own) => own.contentWindow);
  found.set(views.indexOf(event.source), JSON.parse(event.data));
  if (found.size === views.length) document.getElementById("found").textContent =
    JSON.stringify(views.map((own, k) => found.get(k)));
});</script>%s</body></html>"""
_FRAME = '<iframe src="{src}" style="width:{width}px;height:900px;border:0"></iframe>'
_REPORT = """addEventListener("load", async () => {
  if (%s) document.querySelectorAll("details").forEach((own) => { own.open = true; });
  const found = (await axe.run()).violations.map((own) => own.id);
  const open = [...document.querySelectorAll("details.chapter[open]")];
  parent.postMessage(JSON.stringify({violations: found, open: open.length,
    over: document.documentElement.scrollWidth - innerWidth}), "*");
});"""


@cache
def page_of(name: str) -> str:
    """The page as a notebook would give it, with its first three chapters."""
    results, page = results_of(name), ps.Page()
    cells = [_output(page.html(ps.pages.compare_pits(results)))]
    for title, sections in COMPARE_PITS[:1] + COMPARE_PITS[-1:]:
        cells.append(nbformat.v4.new_markdown_cell(f"## {title}\n\nIn words."))
        cells += [_output(page.html(ask(results))) for ask in sections]
    study = ps.demo_study("one_bake_each")
    packed = zip_bytes(package_files(study, names=["burn_rates"]), compressed=True)
    data = data_link(packed, "data.zip", "Take the data with you")
    notebook = nbformat.v4.new_notebook(cells=cells)
    return sealed(page_html(notebook, [("Data", "d")], "Title", data=data))


def _output(content: str) -> Any:
    cell = nbformat.v4.new_code_cell("show")
    cell.outputs = [nbformat.v4.new_output("display_data", {"text/html": content})]
    return cell


class View(NamedTuple):
    """How a page is looked at."""

    width: int
    opened: bool = False
    hash: str = ""


def seen(folder: Path, page: str, *views: View, dark: bool) -> list[dict[str, Any]]:
    """What the browser finds on a page in each view of it."""
    frames = []
    for k, view in enumerate(views):
        scripts = [AXE, _REPORT % str(view.opened).lower()]
        added = "".join(f"<script>{own}</script>" for own in scripts)
        (folder / f"{k}.html").write_text(page.replace("</body>", f"{added}</body>"))
        frames.append(_FRAME.format(src=f"{k}.html{view.hash}", width=view.width))
    (folder / "frames.html").write_text(_FRAMES % "".join(frames))
    flags = "--headless --no-sandbox --disable-gpu --disable-dev-shm-usage"
    command = [
        *(CHROMIUM, *flags.split(), "--allow-file-access-from-files"),
        *("--virtual-time-budget=60000", "--window-size=1300,1000"),
        *(["--blink-settings=preferredColorScheme=0"] if dark else []),
        *(f"--user-data-dir={folder / 'profile'}", "--dump-dom"),
        f"file://{folder / 'frames.html'}",
    ]
    shown = subprocess.run(command, capture_output=True, text=True, timeout=120).stdout
    found = re.search(r'<pre id="found">(.+?)</pre>', shown, re.DOTALL)
    assert found is not None, shown[-300:]
    results: list[dict[str, Any]] = json.loads(html.unescape(found[1]))
    return results


@pytest.mark.parametrize("dark", [False, True])
def test_no_barrier_is_found(dark: bool, tmp_path: Path) -> None:
    views = [View(width, opened) for width in (1280, 390) for opened in (False, True)]
    shown = seen(tmp_path, page_of("one_bake_each"), *views, dark=dark)
    for view, found in zip(views, shown, strict=True):
        assert found["violations"] == [], view
        assert found["over"] <= 0, view
        assert (found["open"] == 2) == view.opened


def test_a_link_opens_its_chapter_and_no_other(tmp_path: Path) -> None:
    page = page_of("totals, open")
    views = [View(390, hash=hash) for hash in ("", "#method", "#all")]
    closed, linked, every = seen(tmp_path, page, *views, dark=False)
    assert closed["open"] == 0
    assert closed["over"] <= 0
    assert linked["open"] == 1
    assert every["open"] == 2


def test_the_data_come_out_of_the_page_without_a_request(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_text(page_of("one_bake_each"), "utf-8")
    downloads = tmp_path / "downloads"
    downloads.mkdir()
    with chromium(tmp_path / "profile", downloads) as browser:
        shown = browser.page()
        shown.open(page)
        assert shown.text("#data a") == "Take the data with you"
        shown.tap("#data a")
        shown.until(lambda: downloaded(downloads, "data.zip"), "the data are there")
        assert shown.trouble() == []
    assert ps.verify_package(downloads / "data.zip").same
    assert ps.verify_package(page).same
