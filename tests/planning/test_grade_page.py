"""The page for the phone: blind, alone in one file, and on the study's own terms."""

import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from pitstats.errors import DesignError
from pitstats.planning import sheets
from pitstats.planning.layout import randomize_layout
from pitstats.planning.sheets import render_sheets
from pitstats.study.blind_plan import bake_numbers, plan_id

SECRETS = ("Oak", "Creek", "Old Bess", "B01", "B04", "upper", "Sunday", "north wall")


@pytest.fixture(scope="module")
def plan():
    return randomize_layout(
        pd.DataFrame(
            {
                "pit": ["Oak", "Creek", "Creek"],
                "grate": ["main", "main", "upper"],
                "rows": [3, 3, 2],
                "columns": [6, 5, 4],
            }
        ),
        pits=pd.DataFrame({"pit": ["Oak", "Creek"], "label": ["Old Bess", None]}),
        bakes=2,
        sessions=["Sunday at Oak", "Monday"],
        places=["north wall", "gate"],
        settings={"title": "Oak against Creek", "question": "Is Oak better?"},
        seed=4711,
    ).study


@pytest.fixture(scope="module")
def page(plan):
    return render_sheets(plan)[sheets.PHONE]


def told(page):
    data = re.search(r'<script type="application/json" id="plan">(.*?)</script>', page)
    return json.loads(data[1])


def test_nothing_in_the_file_names_pit_bake_or_place(page):
    for secret in (*SECRETS, "4711"):
        assert secret not in page
    assert set(told(page)) == {"plan", "grades", "faces", "reasons", "sessions"}
    for session in told(page)["sessions"]:
        assert set(session) == {"number", "trays", "again", "bakes"}


def test_codes_stand_in_the_shuffled_order_of_the_grading_sheets(plan, page):
    in_page = [code for s in told(page)["sessions"] for t in s["trays"] for code in t]
    sheet = render_sheets(plan)[sheets.GRADING]
    assert in_page == re.findall(r'scope="row" class="code">(\w+)<', sheet)
    bake = plan.items.set_index("code").loc[in_page, "bake"].to_numpy()
    assert (bake[1:] != bake[:-1]).sum() > len(bake) / 4
    sizes = [len(t) for s in told(page)["sessions"] for t in s["trays"]]
    assert max(sizes) <= 24
    assert max(sizes) - min(sizes) <= 1


def test_second_gradings_and_bakes_are_those_of_the_plan(plan, page):
    sessions = told(page)["sessions"]
    again = {code for s in sessions for t in s["again"] for code in t}
    assert again == set(plan.regrades["code"])
    assert [s["bakes"] for s in sessions] == [[1, 2], [1, 2]]
    assert told(page)["plan"] == plan_id(plan.bakes, plan.items)


def test_the_page_needs_no_network_and_runs_only_its_own_script(page):
    assert not re.search(r"https?:|//[a-z]|url\(|@import|src=|style=", page)
    policy = re.search(r'http-equiv="Content-Security-Policy" content="(.*?)"', page)[1]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert len(page.encode()) <= 150_000


def test_a_large_hostile_plan_stays_small_and_escaped():
    hostile = "</script><b>\"'&\u2028" + "long " * 8
    study = randomize_layout(
        {"Oak": (20, 30), "Creek": (20, 30)},
        bakes=2,
        settings={
            "grades": tuple(f"{k} {hostile}" for k in range(12)),
            "target_grades": (f"3 {hostile}",),
        },
        seed=1,
    ).study
    page = render_sheets(study)[sheets.PHONE]
    assert len(page.encode()) <= 150_000
    assert page.count("</script>") == 2
    assert told(page)["grades"][3]["name"] == study.settings.grades[3]
    assert told(page)["grades"][3]["counts"] == "good"


def test_the_plan_is_known_again_after_results_but_not_after_a_new_draw(plan):
    known = plan_id(plan.bakes, plan.items)
    graded = plan.items.assign(grade_top="dark")
    renamed = plan.bakes.assign(pit="Other", status="kept", notes="windy")
    assert plan_id(renamed, graded.sample(frac=1, random_state=1)) == known
    other = plan.items["code"].to_numpy()[::-1]
    assert plan_id(plan.bakes, plan.items.assign(code=other)) != known
    assert (
        plan_id(plan.bakes.iloc[::-1], plan.items) != known
    )  # sessions change numbers


def test_bakes_keep_their_numbers_when_some_are_done(plan):
    done = plan.bakes["session"].eq("Sunday at Oak")
    bakes = plan.bakes.assign(status=["kept" if d else "planned" for d in done])
    page = render_sheets(replace(plan, bakes=bakes))[sheets.PHONE]
    assert [s["number"] for s in told(page)["sessions"]] == [2]
    assert bake_numbers(bakes) == bake_numbers(plan.bakes)


def test_codes_that_a_grader_could_not_tell_apart_are_refused(plan):
    in_first = plan.items["bake"].isin(["B01", "B02"]).to_numpy()
    code = plan.items["code"].to_numpy(dtype=object)
    a = plan.items.index[plan.items["bake"].eq("B01")][0]
    b = plan.items.index[plan.items["bake"].eq("B02")][0]
    assert in_first[a]
    code[b] = code[a]
    twice = replace(plan, items=plan.items.assign(code=code), regrades=pd.DataFrame())
    with pytest.raises(DesignError, match=f"code {code[a]} stands for two items"):
        render_sheets(twice)


@pytest.mark.node
def test_the_script_passes_its_own_tests():
    tests = Path(__file__).parent / "grade_script.test.js"
    done = subprocess.run(
        [shutil.which("node"), "--test", str(tests)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    assert "# pass 12" in done.stdout
