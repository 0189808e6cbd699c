"""A plan is frozen before the first bake; what is changed later is found and named."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st

import pitstats as ps
from pitstats.cli import main
from pitstats.exchange.package import package_files
from pitstats.exchange.zip_file import zip_bytes
from pitstats.study.frozen_plan import (
    changed_settings,
    kept_plan,
    plan_bytes,
    plan_changes,
    plan_path,
    read_plan,
)


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def planned() -> ps.Study:
    grates = {"Oak": (2, 3), "Creek": (2, 3)}
    stated = {"margin": 0.15, "temperature_rule": "tuned", "title": "Zwei Öfen"}
    return ps.randomize_layout(grates, bakes=2, settings=stated, seed=3).study


def baked(study: ps.Study, **bakes: object) -> ps.Study:
    return replace(
        study,
        bakes=study.bakes.assign(status="kept", **bakes),
        items=study.items.assign(burned=[k % 3 == 0 for k in range(len(study.items))]),
        regrades=study.regrades.iloc[:0],
    )


def test_a_plan_holds_what_was_to_be_done(planned: ps.Study) -> None:
    plan = read_plan(plan_bytes(planned))
    assert plan.intact
    content = plan.content
    assert content["seed"] == 3
    assert content["design"]["Oak"] == {"bakes": 2, "items": [6, 6]}
    assert content["settings"]["margin"] == 0.15
    assert content["settings"]["looks_planned"] == []
    assert len(content["items"]) == 1 + len(planned.items)
    assert set(content["versions"]) == {"pitstats", "numpy"}
    assert plan_bytes(planned) == plan_bytes(planned)
    assert plan_changes(plan_bytes(planned), baked(planned)) == []


def test_second_gradings_that_were_not_done_are_listed(planned: ps.Study) -> None:
    plan = plan_bytes(planned)
    n_due = len(planned.regrades)
    assert n_due > 1
    undone = replace(baked(planned), regrades=planned.regrades)
    said = f"Second gradings not done: {n_due} of {n_due} planned ones."
    assert plan_changes(plan, undone) == [said]
    again = planned.regrades.assign(grade_top=["golden"] + [None] * (n_due - 1))
    some = replace(undone, regrades=again)
    assert f"{n_due - 1} of {n_due} planned" in plan_changes(plan, some)[0]
    # Not due before its bake is made.
    waiting = baked(planned).bakes.assign(status="planned")
    items = planned.items
    early = replace(planned, bakes=waiting, items=items, regrades=planned.regrades)
    assert not [s for s in plan_changes(plan, early) if "Second" in s]


@pytest.fixture(scope="module")
def frozen(planned: ps.Study) -> bytes:
    return plan_bytes(planned)


@settings(deadline=None)
@given(place=st.integers(0), flip=st.integers(1, 255))
def test_any_changed_byte_is_found(
    planned: ps.Study, frozen: bytes, place: int, flip: int
) -> None:
    data = bytearray(frozen)
    data[place % len(data)] ^= flip
    assert not read_plan(bytes(data)).intact
    assert "hash does not fit" in plan_changes(bytes(data), planned)[0]


@pytest.mark.parametrize("data", [b"", b"[]", b"{}", b"[" * 99_999, b'{"sha256": 1}'])
def test_what_is_no_plan_is_not_intact(data: bytes) -> None:
    assert not read_plan(data).intact


def test_what_differs_from_the_plan_is_named(planned: ps.Study) -> None:
    plan, done = plan_bytes(planned), baked(planned)
    margin = replace(done, settings=replace(done.settings, margin=0.3))
    assert plan_changes(plan, margin) == [
        "Setting margin was 0.15 in the plan and is 0.3 in the study."
    ]
    turned = replace(done, bakes=done.bakes.assign(order=3 - done.bakes["order"]))
    names = ", ".join(done.bakes["bake"])
    assert plan_changes(plan, turned) == [
        f"Pit, session or order is not as planned: {names}."
    ]
    gone = done.bakes["bake"].iloc[-1]
    fewer = replace(
        done,
        bakes=done.bakes[done.bakes["bake"] != gone],
        items=done.items[done.items["bake"] != gone],
    )
    assert plan_changes(plan, fewer)[0] == f"Planned but not in the record: {gone}."
    codes = done.items["code"].tolist()
    codes[:2] = codes[1::-1]
    swapped = replace(done, items=done.items.assign(code=codes))
    assert plan_changes(plan, swapped) == [
        f"2 of {len(codes)} items are not where the plan has their code."
    ]


def test_a_unit_stated_with_the_first_reading_is_no_change(planned: ps.Study) -> None:
    in_f = replace(planned.settings, temperature_unit="F", length_unit="in")
    done = baked(replace(planned, settings=in_f))
    assert plan_changes(plan_bytes(planned), done) == []
    in_c = replace(in_f, temperature_unit="C")
    (told,) = plan_changes(
        plan_bytes(replace(planned, settings=in_f)), replace(done, settings=in_c)
    )
    assert (
        told == 'Setting temperature_unit was "F" in the plan and is "C" in the study.'
    )


def test_no_plan_is_frozen_after_a_bake(planned: ps.Study) -> None:
    with pytest.raises(ps.DesignError, match="before the first bake"):
        plan_bytes(baked(planned))


@pytest.mark.parametrize("name", ["my_test", "my_test.xlsx"])
def test_layout_freezes_and_check_finds_what_was_changed(
    name: str, tmp_path: Path
) -> None:
    dest = tmp_path / name
    layout = ("layout", dest, "--pit", "Oak=2x3", "--pit", "Creek=2x3", "--bakes", 2)
    told = run(*layout, "--margin", "0.15", "--seed", 3)
    assert told.exit_code == 0, told.output
    kept = kept_plan(dest)
    assert kept is not None
    assert read_plan(kept).sha256 in told.output
    assert "- As it was frozen." in run("check", dest).output

    study = ps.read_study(dest)
    done = baked(study)
    ps.write_study(
        replace(done, settings=replace(done.settings, margin=0.3)), dest, overwrite=True
    )
    checked = run("check", dest)
    assert checked.exit_code == 0
    assert "- Setting margin was 0.15 in the plan and is 0.3" in checked.output
    assert json.loads(run("check", dest, "--format", "json").output)["plan_changes"]

    plan_path(dest).write_bytes(kept.replace(b"0.15", b"0.30"))
    checked = run("check", dest)
    assert checked.exit_code == 1
    assert "changed after it was frozen" in checked.output
    assert run(*layout).exit_code == 2

    lost = plan_path(dest)
    lost.unlink()
    asked = f"- Not found: lay the frozen plan beside it, as {lost.name}."
    assert asked in run("check", dest).output


def test_sheets_freeze_a_plan_made_by_hand_and_hold_to_it(
    planned: ps.Study, tmp_path: Path
) -> None:
    ps.write_study(planned, tmp_path / "mine")
    told = run("sheets", tmp_path / "mine")
    assert told.exit_code == 0, told.output
    kept = kept_plan(tmp_path / "mine")
    assert kept == kept_plan(tmp_path / "mine-sheets" / "entry.xlsx")
    moved = replace(planned, settings=replace(planned.settings, margin=None))
    ps.write_study(moved, tmp_path / "mine", overwrite=True)
    told = run("sheets", tmp_path / "mine", "--out", tmp_path / "again")
    assert told.exit_code == 1
    assert "margin was 0.15 in the plan and is not stated" in told.output
    assert not (tmp_path / "again").exists()
    assert kept_plan(tmp_path / "mine") == kept


def test_a_package_carries_the_plan_and_verify_reads_it(
    planned: ps.Study, tmp_path: Path
) -> None:
    done = baked(planned)
    later = replace(done, settings=replace(done.settings, margin=0.3))
    names = ["burn_rates"]
    plan = plan_bytes(planned)
    path = tmp_path / "test.zip"
    files = package_files(replace(later, plan=plan), names=names)
    path.write_bytes(zip_bytes(files))
    found = ps.verify_package(path)
    assert found.same
    assert found.plan == (
        "Setting margin was 0.15 in the plan and is 0.3 in the study.",
    )
    assert "Not as planned: Setting margin" in found.sentence

    bent = plan.replace(b"0.15", b"0.30")
    files = package_files(replace(later, plan=bent), names=names)
    path.write_bytes(zip_bytes(files))
    found = ps.verify_package(path)
    assert not found.same
    assert "changed after it was frozen" in found.problems[0]


def test_a_study_read_knows_what_its_frozen_plan_settled(
    planned: ps.Study, tmp_path: Path
) -> None:
    folder = tmp_path / "test"
    ps.write_study(baked(planned), folder)
    assert changed_settings(ps.read_study(folder)) is None
    plan_path(folder).write_bytes(plan_bytes(planned))
    assert changed_settings(ps.read_study(folder)) == {}
    toml = folder / "study.toml"
    toml.write_text(toml.read_text("utf-8").replace("margin = 0.15", "margin = 0.3"))
    read = ps.read_study(folder)
    assert changed_settings(read) == {"margin": ("0.15", "0.3")}
    assert read == replace(read, plan=None)
    plan_path(folder).write_bytes(plan_bytes(planned).replace(b"0.15", b"0.30"))
    assert changed_settings(ps.read_study(folder)) is None


def test_a_settled_cut_is_not_asked_for_and_a_moved_one_is_told(
    planned: ps.Study,
) -> None:
    done = replace(
        planned,
        bakes=planned.bakes.assign(status="kept"),
        items=planned.items.assign(grade_top=["golden", "burned"] * 12),
        regrades=planned.regrades.iloc[:0],
    )
    moved = replace(done, settings=replace(done.settings, burned_from="dark"))
    plan = plan_bytes(planned)
    asked, kept, told = (
        {finding.id: finding.severity for finding in ps.audit_fairness(study)}
        for study in (done, replace(done, plan=plan), replace(moved, plan=plan))
    )
    assert "ask_cut" in asked
    assert not {"ask_cut", "plan_changed"} & set(kept)
    assert told["plan_changed"] == "weakens"
    assert "ask_cut" not in told
    assert "ask_cut" in {finding.id for finding in ps.audit_fairness(planned)}
    frozen = replace(planned, plan=plan)
    assert "ask_cut" not in {finding.id for finding in ps.audit_fairness(frozen)}
