"""A season of studies: matched, counted once, estimated, with and without a bridge."""

import json
import os
import re
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from shutil import rmtree

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from joblib import parallel_config

import pitstats as ps
from pitstats.analysis.season.estimate import NO_BRIDGE
from pitstats.analysis.season.summary import content_hash
from pitstats.cli import main
from pitstats.errors import BusyError
from pitstats.report.section import Table
from tests.cluster import on_a_dask_cluster

CSV = ("--format", "csv")


def test_the_record_beside_the_sheets_of_a_plan_is_read(tmp_path: Path) -> None:
    made = counted("may", [("A", "1", 2), ("B", "1", 5), ("A", "2", 4), ("B", "2", 6)])
    grates = pd.DataFrame({"pit": ["A", "B"], "grate": "main", "rows": 3, "columns": 5})
    plan = ps.randomize_layout(grates, bakes=2, seed=1).study
    ps.write_study(plan, tmp_path / "may")
    (tmp_path / "may-sheets").mkdir()
    ps.write_study(made, tmp_path / "may-sheets" / "entry.xlsx")
    ps.write_study(plan, tmp_path / "june")
    season = ps.read_season(tmp_path)
    assert list(season.studies) == ["may"]
    assert len(season.bakes) == 4
    assert season.questions == (
        "june is a plan without a bake that was made, and not counted among the "
        "studies.",
    )
    assert ps.estimate_season(season).caveats[-1] == season.questions[0]


def test_two_studies_of_one_name_are_refused(folder: Path) -> None:
    ps.write_study(counted("other", [("A", "1", 2), ("B", "1", 5)]), folder / "day 10")
    with pytest.raises(ps.DesignError, match="are two studies of one name"):
        ps.read_season(folder)


def counted(
    title: str, bakes: list[tuple[str, str, int]], **settings: object
) -> ps.Study:
    """A study of totals: pit, session, burned of 16."""
    names = [f"{title}-{k}" for k in range(len(bakes))]
    return ps.Study(
        settings=ps.Settings(
            title=title, question="Q?", temperature_rule="same grate", **settings
        ),
        pits=pd.DataFrame({"pit": list(dict.fromkeys(b[0] for b in bakes))}),
        bakes=pd.DataFrame(
            {
                "bake": names,
                "pit": [b[0] for b in bakes],
                "session": [b[1] for b in bakes],
            }
        ),
        counts=pd.DataFrame(
            {"bake": names, "n_items": 16, "n_burned": [b[2] for b in bakes]}
        ),
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    ps.write_study(
        counted("day 2", [("A", "1", 2), ("R", "1", 5), ("A", "2", 4), ("R", "2", 6)]),
        tmp_path / "day 2",
    )
    ps.write_study(
        counted("day 10", [("B", "1", 9), ("R", "1", 6), ("B", "2", 8), ("R", "2", 5)]),
        tmp_path / "day 10.xlsx",
    )
    ps.write_study(
        counted("day 11", [("C", "1", 3), ("C", "2", 1)]), tmp_path / "day 11"
    )
    (tmp_path / "notes.txt").write_text("not a study")
    return tmp_path


def test_studies_are_read_in_their_natural_order(folder: Path) -> None:
    season = ps.read_season(folder)
    assert list(season.studies) == ["day 2", "day 10", "day 11"]
    assert season.studies["day 10"].settings.title == "day 10"
    assert len(season.bakes) == 10
    assert season.rates.groupby("study").size().to_dict() == {
        "day 2": 2,
        "day 10": 2,
        "day 11": 1,
    }


def test_the_demo_season_leaves_nothing_beside_the_demos() -> None:
    season = ps.demo_season()
    assert (season.name, len(season.studies)) == ("All demo studies", 8)
    assert not (season.path / ".pitstats-season").exists()


def test_pits_are_compared_through_a_pit_baked_on_both_days(folder: Path) -> None:
    found = ps.estimate_season(ps.read_season(folder))
    pairs = found.differences.set_index(["pit_a", "pit_b"])
    bridged = pairs.loc[("A", "B")]
    assert bridged["estimate"] < 0
    assert bridged["n_shared_studies"] == 0
    assert bridged["bridge_share"] == 1.0
    # No third pit leads from A to R, so nothing rests on another pit.
    assert pairs.loc[("A", "R"), "bridge_share"] == 0.0
    assert list(found.table.columns) == [
        "pit",
        "n_studies",
        "n_bakes",
        "n_items",
        "n_burned",
        "estimate",
        "conf_low",
        "conf_high",
    ]


def test_a_third_pit_of_shared_studies_is_a_bridge_through_further_ones(
    tmp_path: Path,
) -> None:
    three = [(pit, half, 4) for half in "12" for pit in "ABR"]
    two = [(pit, half, 4) for half in "1234" for pit in "AR"]
    days = {"day 1": three, "day 2": three}
    for more, bridged in (({}, False), ({"day 3": two}, True)):
        for day, bakes in (days | more).items():
            ps.write_study(counted(day, bakes), tmp_path / day, overwrite=True)
        found = ps.estimate_season(ps.read_season(tmp_path)).differences
        shares = found.set_index(["pit_a", "pit_b"])["bridge_share"]
        # B was baked with A on the same days only, but day 3 tells how A lies to R.
        assert (shares["A", "B"] > 0) == bridged
        assert (shares["B", "R"] > 0) == bridged


def test_a_bridge_carries_what_weighted_least_squares_says(folder: Path) -> None:
    """Bake by bake, with one matrix for the whole season, as a textbook has it."""
    extra = [("A", "1", 3), ("B", "1", 6), ("A", "1", 5), ("B", "2", 7)]
    ps.write_study(counted("day 12", extra), folder / "day 12")
    season = ps.read_season(folder)
    found = ps.estimate_season(season)
    bakes, pits = season.bakes, found.table["pit"].tolist()
    rates = found.table.set_index("pit")["estimate"]
    own = np.array([sd.estimate**2 for sd in found.fit.bake_sds])
    sds = {name: sd.estimate for name, sd in found.fit.sds.items() if sd is not None}
    assert set(sds) == {"bake", "session", "study"}

    def variance(rows: pd.DataFrame) -> float:
        code = np.array([pits.index(pit) for pit in rows["pit"]])
        p = rates[rows["pit"]].to_numpy()
        v = np.diag(1 / (16 * p * (1 - p)) + own[code])
        study, session = (rows[name].to_numpy() for name in ("study", "session"))
        same_study = study[:, None] == study
        v += sds["study"] ** 2 * same_study
        v += sds["session"] ** 2 * (same_study & (session[:, None] == session))
        there = sorted(set(code))
        x = (code[:, None] == there).astype(float)
        known = np.linalg.inv(x.T @ np.linalg.inv(v) @ x)
        ends = np.array([(pits[k] == "A") * 1.0 - (pits[k] == "B") for k in there])
        return float(ends @ known @ ends)

    want = 1 - variance(bakes) / variance(bakes[bakes["study"] == "day 12"])
    shares = found.differences.set_index(["pit_a", "pit_b"])["bridge_share"]
    assert 0.2 < want < 0.8
    assert shares["A", "B"] == pytest.approx(want, abs=1e-9)


def test_without_a_bridge_the_pair_is_refused_in_words(folder: Path) -> None:
    season = ps.read_season(folder)
    found = ps.estimate_season(season)
    pairs = found.differences.set_index(["pit_a", "pit_b"])
    refused = pairs.loc[("A", "C")]
    assert refused["verdict"] == NO_BRIDGE
    assert np.isnan(refused["estimate"])
    own = [c for c in found.caveats if "no bake that counts in one study with C" in c]
    assert len(own) == 1
    assert own[0].startswith("A, R and B have no bake")

    alike = ps.estimate_season(season, days_alike=True)
    pairs = alike.differences.set_index(["pit_a", "pit_b"])
    assert np.isfinite(pairs.loc[("A", "C"), "estimate"])
    assert alike.caveats[0].startswith("Days assumed alike")


def test_the_same_bake_twice_is_counted_once_and_told(folder: Path) -> None:
    ps.write_study(ps.read_study(folder / "day 2"), folder / "day 2 again")
    season = ps.read_season(folder)
    assert len(season.bakes) == 10
    assert season.left_out["reason"].tolist() == ["the same bake as in study day 2"] * 4


def test_near_equal_names_are_asked_about_and_never_merged(folder: Path) -> None:
    ps.write_study(counted("day 12", [("a", "1", 2), ("R", "1", 2)]), folder / "day 12")
    season = ps.read_season(folder)
    assert {"a", "A"} <= set(season.bakes["pit"])
    assert len(season.questions) == 1
    assert "'A' and 'a'" in season.questions[0]

    table = ps.write_matches(season)
    text = table.read_text().replace("day 12,a,a,", "day 12,a,A,")
    table.write_text(text)
    season = ps.read_season(folder)
    assert "a" not in set(season.bakes["pit"])
    assert season.questions == ()
    with pytest.raises(ps.ExistsError):
        ps.write_matches(season)
    assert table.read_text() == text


def test_a_pit_of_a_longer_name_is_asked_about_unless_both_were_baked(
    folder: Path,
) -> None:
    made = counted("day 12", [("A new", "1", 2), ("R", "1", 2)])
    ps.write_study(made, folder / "day 12")
    (asked,) = ps.read_season(folder).questions
    assert asked.startswith("Are 'A' and 'A new' one pit? They are taken as 2;")
    assert "'pitstats season --matches' makes that table" in asked
    both = counted("day 13", [("A new", "1", 2), ("A", "1", 2)])
    ps.write_study(both, folder / "day 13")
    assert ps.read_season(folder).questions == ()


def test_what_may_be_a_record_and_is_not_read_is_named(folder: Path) -> None:
    (folder / "notes.txt").write_text("windy")
    (folder / "photos").mkdir()
    (folder / "photos" / "one.jpg").write_bytes(b"x")
    (folder / "fixed-changes.csv").write_text("table")
    ps.write_matches(ps.read_season(folder))
    assert ps.read_season(folder).questions == ()
    (folder / "august.csv").write_text("bake,n_items\n")
    (folder / "half").mkdir()
    (folder / "half" / "bakes.csv").write_text("bake,pit\n")
    ps.write_study(ps.demo_study("four_pits"), folder / "older" / "may")
    (told,) = ps.read_season(folder).questions
    assert told.startswith("Not read, because a study is a folder with study.toml")
    assert told.endswith(": august.csv, half, older.")


def test_other_ways_of_counting_are_kept_apart_in_words(folder: Path) -> None:
    other = counted(
        "day 13",
        [("A", "1", 7)],
        grades=("pale", "brown", "black"),
        target_grades=("brown",),
    )
    ps.write_study(other, folder / "day 13")
    season = ps.read_season(folder)
    assert "day 13" not in set(season.bakes["study"])
    assert "burned from black" in season.left_out["reason"].iloc[0]
    (told,) = season.questions
    assert told.startswith("day 13 counts burned items otherwise than most.")


def test_a_wrong_table_of_matches_is_told_by_row(folder: Path) -> None:
    (folder / "season.csv").write_text(
        "study,pit,season_pit,burned_as\nday 2,A,A,\nday 2,Z,A,\nday 2,A,B,\n"
    )
    with pytest.raises(ps.InvalidStudyError) as caught:
        ps.read_season(folder)
    assert [(p.row, p.column) for p in caught.value.problems] == [
        (3, "pit"),
        (4, "pit"),
    ]


def test_a_table_of_matches_may_come_from_any_spreadsheet(folder: Path) -> None:
    text = "study;pit;season_pit;burned_as\r\nday 2;A;Ä;\r\n"
    (folder / "season.csv").write_bytes(text.encode("cp1252"))
    assert set(ps.read_season(folder).bakes["pit"]) == {"Ä", "R", "B", "C"}
    (folder / "season.csv").write_bytes(b'study,pit\n"day 2,A\n')
    with pytest.raises(ps.InvalidStudyError, match="quote marks"):
        ps.read_season(folder)


def test_problems_of_all_studies_are_told_at_once(folder: Path) -> None:
    for name in ("day 2", "day 11"):
        path = folder / name / "counts.csv"
        path.write_text(path.read_text().replace(",16,", ",-1,"))
    with pytest.raises(ps.InvalidStudyError) as caught:
        ps.read_season(folder)
    tables = {problem.table for problem in caught.value.problems}
    assert tables == {"day 2: counts", "day 11: counts"}


def test_summaries_are_rebuilt_when_missing_stale_or_damaged(folder: Path) -> None:
    first = ps.read_season(folder)
    kept = sorted((folder / ".pitstats-season").iterdir())
    assert len(kept) == 3
    kept[0].write_text("{")
    kept[1].unlink()
    again = ps.read_season(folder)
    pd.testing.assert_frame_equal(first.bakes, again.bakes)

    path = folder / "day 11" / "counts.csv"
    path.write_text(path.read_text().replace(",16,1", ",16,16"))
    changed = ps.read_season(folder)
    assert changed.bakes["n_burned"].sum() == first.bakes["n_burned"].sum() + 15


def _add_and_read(task: tuple[str, int]) -> int:
    """Write a study of its own into the season, refresh it, and read all there is."""
    folder, k = Path(task[0]), task[1]
    for burned in (3, k % 16):
        bakes = [("A", "1", burned), ("R", "1", 2)]
        target = folder / f"new {k}"
        ps.write_study(counted(f"new {k}", bakes), target, overwrite=True)
    while True:
        try:
            return int(ps.read_season(folder).bakes["n_burned"].sum())
        except BusyError:  # another study is being put in place just now
            time.sleep(0.05)


def test_eight_writers_of_one_season_lose_nothing(folder: Path) -> None:
    before = int(ps.read_season(folder).bakes["n_burned"].sum())
    with ProcessPoolExecutor(8) as pool:
        totals = list(pool.map(_add_and_read, [(str(folder), k) for k in range(8)]))
    season = ps.read_season(folder)
    after = int(season.bakes["n_burned"].sum())
    assert after == before + sum(k % 16 for k in range(8)) + 8 * 2
    # Who reads while others write may see what they wrote first.
    assert max(totals) <= before + sum(max(3, k % 16) for k in range(8)) + 8 * 2
    assert set(season.studies) >= {f"new {k}" for k in range(8)}
    # Every study as it stands is kept whole, and nothing half-written is left.
    kept = folder / ".pitstats-season"
    for path in kept.iterdir():
        assert path.suffix == ".json"
        assert json.loads(path.read_text())["bakes"]
    hashes = {content_hash(folder / f"new {k}") for k in range(8)}
    assert {f"{digest}.json" for digest in hashes} <= {p.name for p in kept.iterdir()}
    assert [path.name for path in folder.glob(".*")] == [kept.name]


def test_a_summary_that_was_typed_over_is_not_believed(folder: Path) -> None:
    whole = ps.read_season(folder)
    for kept in (folder / ".pitstats-season").glob("*.json"):
        kept.write_text(
            kept.read_text("utf-8").replace('"n_items": 16', '"n_items": 1')
        )
    pd.testing.assert_frame_equal(ps.read_season(folder).bakes, whole.bakes)
    for kept in (folder / ".pitstats-season").glob("*.json"):
        kept.write_text("[" * 100_000)
    pd.testing.assert_frame_equal(ps.read_season(folder).bakes, whole.bakes)


def test_a_pipe_among_the_studies_is_told(folder: Path) -> None:
    os.mkfifo(folder / "day 12.xlsx")
    with pytest.raises(ps.InvalidStudyError, match="no plain file"):
        ps.read_season(folder)


def test_one_pair_is_no_one_of_one(tmp_path: Path) -> None:
    for day in ("day 1", "day 2"):
        study = counted(day, [("A", "", 5), ("B", "", 5), ("A", "", 4), ("B", "", 6)])
        ps.write_study(study, tmp_path / day)
    results = ps.SeasonResults(ps.read_season(tmp_path))
    answer = ps.ask.season_pairs(results).answer
    assert answer == "The one pair cannot be told apart."


def test_the_terminal_says_what_the_page_says(folder: Path) -> None:
    said = CliRunner().invoke(main, ["season", str(folder)])
    assert said.exit_code == 0, said.output
    results = ps.SeasonResults(ps.read_season(folder))
    for section in (ps.ask.season_rates(results), ps.ask.season_pairs(results)):
        captions = [part.caption for part in section.body if isinstance(part, Table)]
        assert captions
        assert all(caption in said.output for caption in captions)
    assert "unit of replication: the bake" in said.output
    assert "p_value" not in said.output


def test_names_that_look_like_formulas_stay_text_in_csv(tmp_path: Path) -> None:
    bakes = [(pit, day, 4) for day in "12" for pit in ("=A1", "B")]
    ps.write_study(counted("day 1", bakes), tmp_path / "season" / "day 1")
    said = CliRunner().invoke(main, ["season", str(tmp_path / "season"), *CSV])
    assert said.exit_code == 0, said.output
    assert "'=A1" in said.output
    assert not re.search("(^|,)=A1", said.output, re.MULTILINE)


def test_a_study_that_changes_while_it_is_read_is_read_again(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    counts = folder / "day 11" / "counts.csv"
    changed = counts.read_text().replace(",16,1", ",16,16")

    def read_late(path: Path) -> ps.Study:
        study = ps.read_study(path)
        if path.name == "day 11":
            counts.write_text(changed)
        return study

    monkeypatch.setattr("pitstats.analysis.season.read.read_study", read_late)
    season = ps.read_season(folder, n_jobs=1)
    assert season.bakes.loc[season.bakes["pit"] == "C", "n_burned"].tolist() == [3, 16]


def _afresh(folder: Path, n_jobs: int | None = None) -> pd.DataFrame:
    """Estimate with no summary kept."""
    rmtree(folder / ".pitstats-season", ignore_errors=True)
    season = ps.read_season(folder, n_jobs=n_jobs)
    return pd.concat([ps.estimate_season(season).table, season.rates])


def test_numbers_are_the_same_for_any_number_of_processes(folder: Path) -> None:
    one = _afresh(folder, 1)
    pd.testing.assert_frame_equal(one, _afresh(folder, 2))
    with parallel_config(backend="threading", n_jobs=2):
        pd.testing.assert_frame_equal(one, _afresh(folder))


def test_numbers_are_the_same_on_a_dask_cluster(folder: Path) -> None:
    one = _afresh(folder, 1)
    with on_a_dask_cluster():
        pd.testing.assert_frame_equal(one, _afresh(folder))


def test_progress_change_and_repeatability(folder: Path) -> None:
    season = ps.read_season(folder)
    progress = ps.season_progress(season)
    assert progress.groupby("n_studies").size().to_dict() == {1: 2, 2: 3, 3: 4}
    change = ps.season_change(season)
    assert change["pit"].tolist() == ["R"]
    assert change["n_early"].item() == change["n_late"].item() == 2
    row = change.iloc[0]
    for half in ("early", "late"):
        assert 0 <= row[f"{half}_low"] < row[half] < row[f"{half}_high"] <= 1
    assert row["change"] == pytest.approx(row["late"] - row["early"], abs=1e-9)
    assert row["early_low"] - row["late_high"] < row["conf_high"]
    known = ps.estimate_season(season)
    again = ps.season_progress(season, estimate=known)
    pd.testing.assert_frame_equal(progress, again)
    alike = ps.estimate_season(season, days_alike=True)
    for made in (known, alike):
        pd.testing.assert_frame_equal(
            ps.season_repeatability(season),
            ps.season_repeatability(season, estimate=made),
        )
    spread = ps.season_repeatability(season).set_index("name")
    assert np.isnan(spread.loc["C", "estimate"])
    assert spread.loc["R", "estimate"] > 0
    assert spread["of"].tolist() == ["pit"] * 4


def test_tenders_are_known_from_three_bakes_of_a_pit_on(tmp_path: Path) -> None:
    study = counted("day 1", [(pit, "", 3 + k) for pit in "AB" for k in range(4)])
    tenders = ["Kim", "Kim", "Kim", "Lou", "Kim", "Lou", "Lou", "Max"]
    study = replace(study, bakes=study.bakes.assign(tender=tenders))
    ps.write_study(study, tmp_path / "day 1")
    spread = ps.season_repeatability(ps.read_season(tmp_path)).set_index("name")
    assert spread.loc["Kim", "n_bakes"] == 4
    assert 0 < spread.loc["Kim", "estimate"] < spread.loc["Kim", "conf_high"]
    assert np.isnan(spread.loc[["Lou", "Max"], "estimate"]).all()


@pytest.mark.parametrize("content", [None, "empty"])
def test_a_folder_without_studies_is_told(tmp_path: Path, content: str | None) -> None:
    target = tmp_path if content else tmp_path / "nowhere"
    with pytest.raises(ps.DesignError, match=r"no (study|folder)"):
        ps.read_season(target)


def test_a_study_is_not_taken_for_a_season(folder: Path) -> None:
    study = folder / "day 2"
    with pytest.raises(ps.DesignError, match="is a study itself") as told:
        ps.read_season(study)
    assert f"'pitstats compare {study}'" in str(told.value)
    with pytest.raises(
        ps.DesignError, match=r"study\.toml is a file\. Give the folder"
    ):
        ps.read_season(study / "study.toml")


def test_excluded_bakes_are_listed(folder: Path) -> None:
    study = ps.read_study(folder / "day 2")
    bakes = study.bakes.copy()
    bakes.loc[0, ["status", "reason"]] = ["excluded", "lid left open"]
    ps.write_study(replace(study, bakes=bakes), folder / "day 2", overwrite=True)
    season = ps.read_season(folder)
    assert season.left_out.values.tolist() == [
        ["day 2", "day 2-0", "excluded: lid left open"]
    ]


def test_one_bake_beside_two_gives_no_verdict_in_a_season(tmp_path: Path) -> None:
    for day, bakes in enumerate(([("A", "", 16), ("B", "", 0)], [("B", "", 0)])):
        ps.write_study(counted(f"day {day}", bakes), tmp_path / f"day {day}")
    found = ps.estimate_season(ps.read_season(tmp_path), days_alike=True)
    (pair,) = found.differences.to_dict("records")
    assert pair["verdict"] == "cannot tell"
    assert pair["conf_low"] > 0
    assert np.isnan(pair["p_value"])
    assert any("gets a verdict only beside" in text for text in found.caveats)


def test_halves_of_few_bakes_give_no_verdict(tmp_path: Path) -> None:
    # A third pit, baked often and always alike, tells the days apart.
    for day, burned in enumerate(([16], [0, 0])):
        bakes = [("A", "", n) for n in burned] + [("R", "", 8)] * 6
        ps.write_study(counted(f"day {day}", bakes), tmp_path / f"day {day}")
    change = ps.season_change(ps.read_season(tmp_path)).set_index("pit")
    assert change.loc["A", ["n_early", "n_late"]].tolist() == [1, 2]
    assert change.loc["A", "conf_high"] < 0
    assert change.loc["A", "verdict"] == "cannot tell"
