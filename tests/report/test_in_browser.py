"""The page in Chromium: accessible, no wider than a phone, chapters open on a link."""

import html
import json
import re
import subprocess
from importlib.resources import files
from pathlib import Path
from shutil import which
from typing import Any

import nbformat
import pytest

import pitstats as ps
from pitstats.report.pages import COMPARE_PITS
from pitstats.report.render.page_html import page_html
from tests.report.studies import results_of

CHROMIUM = which("chromium") or ""
AXE = files("axe_core_python").joinpath("axe.min.js").read_text("utf-8")
pytestmark = [
    pytest.mark.chromium,
    pytest.mark.skipif(not CHROMIUM, reason="chromium is not on the path"),
]

_FRAME = """<!DOCTYPE html><html><body style="margin:0">
<iframe src="page.html{hash}" style="width:{width}px;height:900px;border:0"></iframe>
<pre id="found"></pre><script>addEventListener("message",
(event) => {{ document.getElementById("found").textContent = event.data; }});</script>
</body></html>"""
_REPORT = """addEventListener("load", async () => {
  if (%s) document.querySelectorAll("details").forEach((own) => { own.open = true; });
  const found = (await axe.run()).violations.map((own) => own.id);
  const open = [...document.querySelectorAll("details.chapter[open]")];
  parent.postMessage(JSON.stringify({violations: found, open: open.length,
    over: document.documentElement.scrollWidth - innerWidth}), "*");
});"""


def page_of(name: str) -> str:
    """The page as a notebook would give it, with its first three chapters."""
    results, page = results_of(name), ps.Page()
    cells = [_output(page.html(ps.pages.compare_pits(results)))]
    for title, sections in COMPARE_PITS[:1] + COMPARE_PITS[-1:]:
        cells.append(nbformat.v4.new_markdown_cell(f"## {title}\n\nIn words."))
        cells += [_output(page.html(ask(results))) for ask in sections]
    return page_html(nbformat.v4.new_notebook(cells=cells), [("Data", "d")], "Title")


def _output(content: str) -> Any:
    cell = nbformat.v4.new_code_cell("show")
    cell.outputs = [nbformat.v4.new_output("display_data", {"text/html": content})]
    return cell


def seen(
    folder: Path, page: str, *, width: int, dark: bool, opened: bool, hash: str = ""
) -> dict[str, Any]:
    """What the browser finds on a page of this width."""
    scripts = [AXE, _REPORT % str(opened).lower()]
    added = "".join(f"<script>{own}</script>" for own in scripts)
    (folder / "page.html").write_text(page.replace("</body>", f"{added}</body>"))
    (folder / "frame.html").write_text(_FRAME.format(width=width, hash=hash))
    flags = "--headless --no-sandbox --disable-gpu --disable-dev-shm-usage"
    command = [
        *(CHROMIUM, *flags.split(), "--allow-file-access-from-files"),
        *("--virtual-time-budget=60000", "--window-size=1300,1000"),
        *(["--blink-settings=preferredColorScheme=0"] if dark else []),
        *(f"--user-data-dir={folder / 'profile'}", "--dump-dom"),
        f"file://{folder / 'frame.html'}",
    ]
    shown = subprocess.run(command, capture_output=True, text=True, timeout=120).stdout
    found = re.search(r'<pre id="found">(.+?)</pre>', shown, re.DOTALL)
    assert found is not None, shown[-300:]
    result: dict[str, Any] = json.loads(html.unescape(found[1]))
    return result


@pytest.mark.parametrize("opened", [False, True])
@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [1280, 390])
def test_no_barrier_is_found(
    width: int, dark: bool, opened: bool, tmp_path: Path
) -> None:
    page = page_of("one_bake_each")
    found = seen(tmp_path, page, width=width, dark=dark, opened=opened)
    assert found["violations"] == []
    assert found["over"] <= 0


def test_a_link_opens_its_chapter_and_no_other(tmp_path: Path) -> None:
    page = page_of("totals, open")
    closed = seen(tmp_path, page, width=390, dark=False, opened=False)
    assert closed["open"] == 0
    assert closed["over"] <= 0
    linked = seen(tmp_path, page, width=390, dark=False, opened=False, hash="#method")
    assert linked["open"] == 1
    every = seen(tmp_path, page, width=390, dark=False, opened=False, hash="#all")
    assert every["open"] == 2
