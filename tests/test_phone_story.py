"""One afternoon of five pits, one bake each: by phone, in a workbook, in a folder."""

import pandas as pd
import pytest
from click.testing import CliRunner

import pitstats as ps
from pitstats.cli import main
from tests.hard_use.phone_file import run as hard_tries
from tests.study import grade_files

PITS = ("Quarry", "Ferry", "Mill", "Barn", "Creek")


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def plan():
    return ps.randomize_layout(dict.fromkeys(PITS, (3, 6)), bakes=1, seed=8).study


@pytest.fixture(scope="module")
def graded(plan):
    """What was seen: the grades of both faces by code, one item fallen."""
    draw = plan.items["column"].to_numpy() * 3 + plan.items["row"].to_numpy()
    grades = plan.settings.grades
    table = pd.DataFrame(
        {
            "code": plan.items["code"],
            "grade_top": [grades[k % 5] for k in draw],
            "grade_bottom": [grades[(k // 2) % 5] for k in draw],
            "missing": None,
        }
    )
    table.loc[4, ["grade_top", "grade_bottom", "missing"]] = [None, None, "fallen"]
    return table


def test_the_phone_gives_the_numbers_that_typing_gives(plan, graded, tmp_path):
    typed = ps.Study(
        settings=plan.settings,
        pits=plan.pits,
        grates=plan.grates,
        bakes=plan.bakes.assign(status="kept"),
        items=plan.items.drop(columns=list(graded.columns[1:])).merge(
            graded, on="code"
        ),
    )
    expected = ps.estimate_burn_rates(typed).table
    entries = [
        grade_files.item(code, top or "", bottom or "", missing=missing or "")
        for code, top, bottom, missing in graded.astype(object)
        .where(graded.notna(), None)
        .itertuples(index=False)
    ]
    file = grade_files.write(tmp_path / "ann.json", plan, grade_files.sheet(entries))
    for name in ("folder", "entry.xlsx"):
        place = tmp_path / name
        if name == "folder":
            ps.write_study(plan, place)
        else:
            ps.write_entry_workbook(plan, place)
        done = run("record", place, file)
        assert done.exit_code == 0, done.output
        assert "90 first gradings" in done.output
        assert ps.check_study(place) == []
        found = ps.estimate_burn_rates(ps.read_study(place)).table
        pd.testing.assert_frame_equal(found, expected)
        again = run("record", place, file)
        assert "90 recorded before" in again.output


def test_refusals_end_with_a_sentence_and_code_1(plan, tmp_path):
    ps.write_study(plan, tmp_path / "plan")
    one = grade_files.sheet([grade_files.item(plan.items["code"][0], "dark")])
    file = grade_files.write(tmp_path / "f.json", plan, one)
    assert run("record", tmp_path / "plan", file).exit_code == 0
    other = grade_files.sheet([grade_files.item(plan.items["code"][0], "raw")])
    file = grade_files.write(tmp_path / "g.json", plan, other)
    refused = run("record", tmp_path / "plan", file)
    assert refused.exit_code == 1
    assert "Nothing was recorded." in refused.output
    assert "take what the file says with --replace" in refused.output
    assert run("record", tmp_path / "plan", file, "--replace").exit_code == 0
    assert run("record", tmp_path / "plan").exit_code == 2
    assert "there is no folder" in run("record", tmp_path / "no", file).output


def test_damaged_and_falsified_files_never_change_a_study_silently():
    result = hard_tries(60, seed=7)
    assert result["wrong"] == 0, result["ends"]
    assert set(result["ends"]) >= {"refused", "as if whole", "as it says"}
