"""The page in a real browser: a phone of 390 points, touched, reloaded, read aloud."""

import json
from dataclasses import replace
from importlib.resources import files

import pandas as pd
import pytest

from pitstats.planning import sheets
from pitstats.planning.layout import randomize_layout
from pitstats.planning.sheets import write_sheets
from pitstats.study.files import read_study, write_study
from pitstats.study.record import record_grades
from tests.browser import chromium, downloaded

pytestmark = pytest.mark.chromium

GRADES = ("raw", "light", "golden", "dark", "burned")
#: Seconds to reach and tap one place, after Card, Moran & Newell (1980), The
#: keystroke-level model, Communications of the ACM 23:396-410: pointing 1.1, tap 0.2.
TAP = 1.3


@pytest.fixture(scope="module")
def plan():
    return randomize_layout(
        {"Oak": (3, 3), "Creek": (3, 3)}, bakes=2, planned={"minutes": 20}, seed=5
    ).study


@pytest.fixture(scope="module")
def path(plan, tmp_path_factory):
    folder = tmp_path_factory.mktemp("sheets")
    write_sheets(plan, folder)
    return folder / sheets.PHONE


@pytest.fixture(scope="module")
def downloads(tmp_path_factory):
    return tmp_path_factory.mktemp("downloads")


@pytest.fixture(scope="module")
def browser(tmp_path_factory, downloads):
    with chromium(tmp_path_factory.mktemp("profile"), downloads) as running:
        yield running


@pytest.fixture
def phone(browser, path):
    page = browser.page()
    page.open(path)
    page.run("localStorage.clear(); sessionStorage.clear()")
    page.reload()
    yield page
    assert page.trouble() == []
    page.close()


def begin(page, person="Ann", task="first", session=1, two_faces=True):
    page.tap("#person")
    page.type(person)
    page.tap(f"[name=task][value={task}]")
    page.tap(f"[name=session][value='{session}']")
    if task != "times":
        page.tap("[name=blind][value=yes]")
        if two_faces:
            page.tap("[name=face][value=side]")
    page.tap("#begin")


def grade(page, step):
    return page.tap(f"#grades button:nth-child({step + 1})")


def handed_out(page):
    """Text of the file, as the page shows it to be copied."""
    for button in ("#out", "#out-times", "#out-start"):
        if page.seen(button):
            page.tap(button)
            break
    return page.run("document.querySelector('#text').value")


def recorded(plan, folder, text):
    write_study(plan, folder / "plan")
    (folder / "file.txt").write_text(text, encoding="utf-8", newline="")
    record_grades(folder / "plan", folder / "file.txt")
    return read_study(folder / "plan")


def test_eighteen_items_with_two_faces_by_taps_alone(plan, phone, downloads, tmp_path):
    begin(phone)
    codes = phone.run(
        "[...document.querySelectorAll('.cell')].map(c => c.dataset.code)"
    )
    assert len(codes) == 18
    given, start = [], phone.run("performance.now()")
    while not phone.seen("#done"):
        step = (3 * len(given) + len(given) // 7) % 5
        box = grade(phone, step)
        given.append(GRADES[step])
        assert box["height"] >= 44
        assert box["y"] > 0.45 * 844  # where the thumb of the holding hand reaches
    assert len(given) == 36
    assert (phone.run("performance.now()") - start) / 1000 < 90
    assert len(given) * TAP <= 90
    phone.tap("#out-done")
    phone.tap("#save")
    name = "grades_*_Ann_*.json"
    phone.until(lambda: downloaded(downloads, name), "the file is there")
    (file,) = downloaded(downloads, name)
    study = recorded(plan, tmp_path, file.read_text("utf-8"))
    items = study.items.set_index("code").loc[codes]
    found = items[["grade_top", "grade_bottom"]].to_numpy().ravel().tolist()
    assert found == given
    assert items["grader"].tolist() == ["Ann"] * 18
    assert items["grade_side"].isna().all()


def test_a_reload_in_the_middle_loses_nothing(phone):
    begin(phone)
    for step in range(7):
        grade(phone, step % 5)
    places = ("#where", "#now", "#tray", "#who")
    before = [phone.text(place) for place in places]
    phone.reload()
    for place, text in zip(places, before, strict=True):
        phone.reads(place, text)
    phone.tap("#undo")
    phone.reload()
    phone.reads("#where", "Tray 1 of 1: 6 of 36 faces")
    grade(phone, 2)
    assert phone.text("#now") == before[1]


def test_a_thumb_that_bounces_grades_once(phone):
    begin(phone)
    grade(phone, 3)
    phone.run(
        "document.querySelector('#grades button:nth-child(2)').click();"
        "document.querySelector('#grades button:nth-child(2)').click()"
    )
    assert phone.text("#where").endswith("2 of 36 faces")
    assert "taken once" in phone.run("document.querySelector('#told').textContent")


def test_two_tabs_are_kept_apart_and_one_file_holds_both(plan, browser, phone, path):
    other = browser.page()
    other.open(path)
    begin(phone, "Ann", session=1)
    begin(other, "Bo", session=2)
    for step in range(4):
        grade(phone, step)
        grade(other, 4 - step)
    for page, name in ((phone, "Ann"), (other, "Bo")):
        page.reload()
        page.reads("#where", "Tray 1 of 1: 4 of 36 faces")
        assert name in page.text("#who")
    found = json.loads(handed_out(other))
    assert [sheet["person"] for sheet in found["sheets"]] == ["Ann", "Bo"]
    assert [sheet["session"] for sheet in found["sheets"]] == [1, 2]
    assert not {item["code"] for item in found["sheets"][0]["items"]} & {
        item["code"] for item in found["sheets"][1]["items"]
    }
    # The same sheet in both: each sees at once what the other enters.
    other.tap("#menu-out")
    other.tap("#kept li:first-child button")
    grade(phone, 0)
    other.wait("document.querySelector('#where').innerText.includes('5 of 36')")
    other.close()


def test_missing_undo_and_what_is_typed(plan, phone, tmp_path):
    begin(phone, "Zoë \u202e=1+1 🔥")
    code = phone.run("document.querySelector('.cell').dataset.code")
    grade(phone, 3)
    phone.tap("#to-missing")
    phone.tap("#reasons button:nth-child(3)")
    assert "missing, torn" in phone.run(
        "document.querySelector('.cell').getAttribute('aria-label')"
    )
    phone.tap("#undo")
    assert "top dark" in phone.run(
        "document.querySelector('.cell').getAttribute('aria-label')"
    )
    phone.tap("#to-missing")
    phone.tap("#reason")
    phone.type('=cat "ate" it,\u202e \u05e9\u05dc')
    phone.tap("#lost")
    second = phone.run("document.querySelector('[aria-current]').dataset.code")
    assert second != code
    phone.tap("#to-more")
    phone.tap("#rise_mm")
    phone.type("4x")
    assert phone.seen("#rise-wrong")
    phone.run("document.querySelector('#rise_mm').select()")
    phone.type("41,5")
    assert not phone.seen("#rise-wrong")
    phone.tap("#notes")
    phone.type("two\nlines, 1.50")
    phone.tap("#photo")
    phone.type("IMG_7 (1).jpg")
    phone.reload()  # what was typed is kept without a tap
    grade(phone, 2)
    study = recorded(plan, tmp_path, handed_out(phone)).items.set_index("code")
    assert study.loc[code, "missing"] == '=cat "ate" it, \u05e9\u05dc'
    assert pd.isna(study.loc[code, "grade_top"])
    wanted = ["golden", 41.5, "two\nlines, 1.50", "IMG_7 (1).jpg", "Zoë =1+1 🔥"]
    names = ["grade_top", "rise_mm", "notes", "photo", "grader"]
    assert study.loc[second, names].tolist() == wanted


def test_two_bakes_at_once_begin_and_end_by_one_tap(plan, phone, tmp_path):
    begin(phone, "Tess", task="times")
    text = phone.text("#times")
    assert not any(secret in text for secret in ("Oak", "Creek", "B01", "code"))
    phone.run("window.clock = Date.parse; Date.parse = (t) => t ? 0 : NaN")
    phone.tap("#load-1")
    phone.tap("#unload-1")  # in the same second, by a slip
    assert phone.seen("#too-soon")
    phone.run("Date.parse = window.clock")
    phone.tap("#load-2")
    phone.reload()
    phone.run("window.waited = Date.now() + 1100")
    phone.wait("Date.now() > window.waited")
    phone.tap("#unload-2")
    phone.tap("#note-1")
    phone.type("gust of wind")
    study = recorded(plan, tmp_path, handed_out(phone))
    bakes = study.bakes
    assert bakes["recorder"].tolist()[:2] == ["Tess", "Tess"]
    assert bakes["notes"].tolist()[0] == "gust of wind"
    assert pd.isna(bakes["unloaded_at"][0])
    assert bakes["minutes"][0] == 20
    assert 0.01 <= bakes["minutes"][1] < 5
    assert set(bakes["status"]) == {"planned"}


def test_second_gradings_come_in_another_order_and_go_to_regrades(
    plan, phone, tmp_path
):
    begin(phone, "Bo", task="second")
    codes = phone.run(
        "[...document.querySelectorAll('.cell')].map(c => c.dataset.code)"
    )
    assert set(codes) < set(plan.regrades["code"])
    for step in range(2 * len(codes)):
        grade(phone, step % 2)
    assert phone.seen("#done")
    study = recorded(plan, tmp_path, handed_out(phone))
    rows = study.regrades.set_index("code").loc[codes]
    assert rows["grade_bottom"].tolist() == ["light"] * len(codes)
    assert study.items["grade_top"].isna().all()


def test_where_storage_is_refused_it_says_so_and_offers_the_file(path, tmp_path):
    with chromium(tmp_path / "profile", storage=False) as refused:
        page = refused.page()
        page.open(path)
        assert "keeps nothing" in page.text("#unkept")
        begin(page, two_faces=False)
        for step in range(54):
            grade(page, step % 3)
        assert "hand out the file now" in page.text("#done-words")
        page.tap("#out-done")
        found = json.loads(page.run("document.querySelector('#text').value"))
        assert len(found["sheets"][0]["items"]) == 18
        assert page.trouble() == []


def test_the_keyboard_alone_is_enough(phone):
    def reach(wanted):
        for _ in range(60):
            if phone.run(f"document.activeElement.matches({json.dumps(wanted)})"):
                return
            phone.key("Tab")
        raise AssertionError(f"{wanted} cannot be reached")

    reach("#person")
    phone.type("Ann")
    for radio in ("task", "session", "blind"):
        reach(f"[name={radio}]")
        phone.key(" ", "Space")
    reach("#begin")
    phone.key("Enter")
    reach(".cell")
    phone.key("ArrowRight")
    assert phone.run("document.activeElement.matches('.cell:nth-child(2)')")
    for key in "024":
        phone.key(key, f"Digit{key}")
    assert phone.text("#where").endswith("3 of 54 faces")
    assert phone.run("document.activeElement.matches('.cell[aria-current]')")
    phone.key("u", "KeyU")
    assert phone.text("#where").endswith("2 of 54 faces")
    reach("#grades button")
    phone.key("Enter")
    assert phone.text("#where").endswith("3 of 54 faces")
    assert "Now code" in phone.run("document.querySelector('#told').textContent")


def test_share_sheet_and_text(phone):
    begin(phone)
    grade(phone, 2)
    phone.run(
        "navigator.canShare = ({files}) => files[0].type === 'text/plain';"
        "navigator.share = async ({files}) => { window.shared ="
        " [files[0].name, await files[0].text()]; }"
    )
    text = handed_out(phone)
    phone.tap("#share")
    phone.wait("window.shared !== undefined")
    name, shared = phone.run("window.shared")
    assert name.endswith(".json.txt")
    assert shared == text
    phone.run("navigator.clipboard.writeText = async (t) => { window.copied = t; }")
    phone.tap("#copy")
    phone.wait("window.copied !== undefined")
    assert phone.run("window.copied") == text


SCREENS = {
    "start": lambda page: None,
    "grading": lambda page: (begin(page), grade(page, 1), grade(page, 4)),
    "missing": lambda page: (begin(page), page.tap("#to-missing")),
    "more": lambda page: (begin(page), page.tap("#to-more")),
    "times": lambda page: (begin(page, task="times"), page.tap("#load-1")),
    "handout": lambda page: (begin(page), grade(page, 1), page.tap("#out")),
    "go on": lambda page: (begin(page), grade(page, 1), page.tap("#menu")),
}
_AXE = files("axe_core_python").joinpath("axe.min.js").read_text("utf-8")
_TARGETS = (
    "button, summary, .choice, textarea, input:not([type=radio], [type=checkbox])"
)
_SMALL = f"""
[...document.querySelectorAll({json.dumps(_TARGETS)})]
  .filter(e => e.getClientRects().length).map(e => [e.id, e.getBoundingClientRect()])
  .filter(([name, b]) => b.width < 44 || b.height < 44).map(([name]) => name)
"""


@pytest.mark.parametrize("screen", list(SCREENS))
def test_every_screen_is_accessible_light_and_dark_and_wide(phone, screen):
    SCREENS[screen](phone)
    phone.run(_AXE + ";0")
    for look in ({}, {"width": 1280, "height": 900, "dark": True}):
        phone.look_like(**look)
        found = phone.run(
            "axe.run(document).then(r => r.violations.map(v => v.id + ': ' +"
            " v.nodes.map(n => n.html).join(' ; ').slice(0, 300)))"
        )
        assert found == []
        assert phone.run(_SMALL) == []
        wide = "document.documentElement.scrollWidth - innerWidth"
        assert phone.run(wide) <= 0


def test_long_names_and_hostile_codes_fit(browser, plan, tmp_path):
    long = "<b>a very long name of a grade, שלום, "
    items = plan.items.assign(
        code=[f"{k}</script>__proto__" for k in plan.items["code"]]
    )
    items.loc[0, "code"] = "__proto__"
    hard = replace(
        plan,
        items=items,
        regrades=pd.DataFrame(),
        settings=replace(
            plan.settings,
            grades=tuple(f"{long}{k}" for k in range(9)),
            raw_to=f"{long}0",
            burned_from=f"{long}8",
            target_grades=(f"{long}4",),
        ),
    )
    write_sheets(hard, tmp_path / "sheets")
    page = browser.page()
    page.open(tmp_path / "sheets" / sheets.PHONE)
    assert not page.seen("#again")
    begin(page)
    for step in range(36):
        grade(page, step % 9)
    assert page.seen("#done")
    assert page.run("document.documentElement.scrollWidth") <= 390
    study = recorded(hard, tmp_path, handed_out(page))
    assert study.items["grade_top"].notna().sum() == 18
    assert study.items["grade_top"][0].startswith(long)
    assert page.trouble() == []
    page.close()
