"""Surfaces and usable area of studies: counts, intervals, and thin data."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.analysis.places.surface import count_cells
from pitstats.study import Settings, Study

Item = Callable[[str, int, int], dict[str, object]]
SIZES = pd.DataFrame(
    {
        "pit": ["A", "B"],
        "grate": "main",
        "rows": [2, 2],
        "columns": [4, 3],
        "cell_length": [4.0, 5.0],
        "cell_width": [4.0, 3.0],
    }
)


def placed(bakes: list[str], rows: int, columns: int, item: Item) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {"bake": bake, "row": row, "column": column, **item(bake, row, column)}
            for bake in bakes
            for row in range(1, rows + 1)
            for column in range(1, columns + 1)
        ]
    )


def study_of(
    items: pd.DataFrame | None = None,
    *,
    grates: pd.DataFrame | None = None,
    counts: pd.DataFrame | None = None,
    bakes: pd.DataFrame | None = None,
) -> Study:
    """Bakes are named after their pit: A1, A2, B1 ..."""
    if bakes is None:
        sources = [frame["bake"] for frame in (items, counts) if frame is not None]
        names = sorted(set(pd.concat(sources)))
        bakes = pd.DataFrame({"bake": names, "pit": [name[0] for name in names]})
    tables = {"items": items, "grates": grates, "counts": counts}
    return Study(
        settings=Settings(
            title="T", question="Q", temperature_rule="tuned", length_unit="in"
        ),
        pits=pd.DataFrame({"pit": sorted(set(bakes["pit"]))}),
        bakes=bakes,
        **{name: table for name, table in tables.items() if table is not None},
    )


def near_burns(bake: str, row: int, column: int) -> dict[str, object]:
    return {"grade_top": "burned" if column == 1 else "golden"}


FOUR = ["A1", "A2", "B1", "B2"]


@pytest.fixture(scope="module")
def four_pits() -> ps.UsableArea:
    return ps.estimate_usable_area(ps.demo_study("four_pits"))


class TestSurface:
    def test_counts_stand_beside_estimates(self) -> None:
        study = ps.demo_study("four_pits")
        table = ps.map_surface(study).table
        counted = ps.map_cells(study)
        same = ["pit", "grate", "row", "column", "n_items", "n_burned", "n_missing"]
        pd.testing.assert_frame_equal(table[same], counted[same])
        assert table["share"].equals(counted["share"])
        inside = table["conf_low"] < table["estimate"]
        inside &= table["estimate"] < table["conf_high"]
        assert inside.all()

    def test_mean_over_cells_is_near_the_rate_of_the_pit(self) -> None:
        study = ps.demo_study("four_pits")
        cells = ps.map_surface(study).table
        rates = ps.estimate_burn_rates(study).table.set_index("pit")["estimate"]
        means = cells.groupby("pit")["estimate"].mean()
        assert (means - rates).abs().max() < 0.03

    def test_one_bake_speaks_of_that_bake(self) -> None:
        surface = ps.map_surface(study_of(placed(["A1", "B1", "B2"], 2, 3, near_burns)))
        scope = surface.table.groupby("pit")["scope"].unique()
        assert list(scope["A"]) == ["this bake"]
        assert list(scope["B"]) == ["long run"]
        assert any("A was baked once" in note for note in surface.caveats)

    def test_good_follows_the_target_grades(self) -> None:
        study = study_of(placed(FOUR, 2, 3, near_burns))
        burned = ps.map_surface(study).table["estimate"]
        good = ps.map_surface(study, "good").table["estimate"]
        assert (burned + good).to_numpy() == pytest.approx(1.0, abs=0.04)

    def test_grate_without_items_has_no_estimate(self) -> None:
        grates = pd.DataFrame(
            {"pit": "A", "grate": ["main", "top"], "rows": 2, "columns": 3}
        )
        items = placed(["A1", "A2"], 2, 3, near_burns).assign(grate="main")
        surface = ps.map_surface(study_of(items, grates=grates))
        empty = surface.table[surface.table["grate"] == "top"]
        assert empty["estimate"].isna().all()
        assert np.isnan(surface.draws[:, empty.index]).all()
        assert any("grate 'top'" in note for note in surface.caveats)

    def test_untested_cells_are_wide_and_said(self) -> None:
        items = placed(FOUR, 2, 3, near_burns)
        surface = ps.map_surface(study_of(items, grates=SIZES))
        own = surface.table[surface.table["pit"] == "A"]
        width = own["conf_high"] - own["conf_low"]
        assert (own["n_items"] == 0).sum() == 2
        assert width[own["n_items"] == 0].min() > width[own["n_items"] > 0].median()
        assert any("2 of 8 cells had no item" in note for note in surface.caveats)

    def test_bakes_with_marks_only_are_left_out_of_good(self) -> None:
        marked = placed(["A2"], 2, 3, lambda *_: {"burned": True})
        items = pd.concat([placed(["A1", "B1"], 2, 3, near_burns), marked])
        counted = count_cells(study_of(items), "good")
        assert counted.unknown == ("A2",)
        assert counted.n_bakes["A"] == 1
        surface = ps.map_surface(study_of(items), "good")
        assert any("left out here: A2" in note for note in surface.caveats)

    def test_what_cannot_be_mapped_is_said_in_words(self) -> None:
        marked = study_of(placed(FOUR, 2, 3, lambda *_: {"burned": False}))
        with pytest.raises(ps.DesignError, match="tells good from not"):
            ps.map_surface(marked, "good")
        counts = pd.DataFrame({"bake": ["A1", "B1"], "n_items": 10, "n_burned": 1})
        with pytest.raises(ps.DesignError, match="cannot be mapped"):
            ps.map_surface(study_of(counts=counts))
        with pytest.raises(ps.DesignError, match="not one of burned"):
            ps.map_surface(marked, "raw")  # type: ignore[arg-type]
        with pytest.raises(ps.DesignError, match="between 0 and 1"):
            ps.map_surface(marked, conf_level=95)


class TestUsableArea:
    def test_share_is_the_long_run_share_and_area_follows(
        self, four_pits: ps.UsableArea
    ) -> None:
        study = ps.demo_study("four_pits")
        shares = ps.estimate_shares(study, "good").table
        table = four_pits.table
        for name in ("estimate", "conf_low", "conf_high"):
            assert table[name].tolist() == shares[name].tolist()
        # All cells are 4 by 4 in: 18, 15, 16 and 30 of them.
        assert table["area_tested"].tolist() == [288, 240, 256, 480]
        assert table["area"].tolist() == pytest.approx(
            table["estimate"] * table["area_tested"]
        )
        assert four_pits.unit == "sq in"

    def test_good_in_every_bake_by_hand(self) -> None:
        # Column 1 burns in A2 only; (2, 2) of A1 is lost; B is good throughout.
        def item(bake: str, row: int, column: int) -> dict[str, object]:
            if (bake, row, column) == ("A1", 2, 2):
                return {"missing": "fallen"}
            burned = bake == "A2" and column == 1
            return {"grade_top": "burned" if burned else "golden"}

        area = ps.estimate_usable_area(study_of(placed(FOUR, 2, 3, item), grates=SIZES))
        every = area.every.set_index("pit")
        counts = ["cells_complete", "n_every", "n_lowest", "n_highest"]
        assert every.loc["A", counts].tolist() == [5, 3, 3, 4]
        assert every.loc["B", counts].tolist() == [6, 6, 6, 6]
        assert every.loc["A", "area_every"] == 48
        cells = area.cells[area.cells["pit"] == "A"].set_index(["row", "column"])
        assert cells.loc[(1, 1), "every"] == "no"
        assert cells.loc[(2, 2), "every"] == "unknown"
        assert cells.loc[(2, 3), "every"] == "yes"
        table = area.table.set_index("pit")
        assert table.loc["A", "n_missing"] == 1
        assert table.loc["A", ["lowest", "highest"]].tolist() == pytest.approx(
            [9 / 12, 10 / 12]
        )
        assert table.loc["B", "conf_high"] == 1.0

    def test_lost_bake_is_no_bake_but_leaves_a_range(self) -> None:
        def item(bake: str, row: int, column: int) -> dict[str, object]:
            return {"missing": "rain"} if bake == "A3" else {"grade_top": "golden"}

        items = placed(["A1", "A2", "A3", "B1", "B2"], 2, 3, item)
        every = ps.estimate_usable_area(study_of(items)).every.set_index("pit")
        assert every.loc["A", "n_bakes"] == 2
        assert every.loc["A", ["n_every", "n_lowest", "n_highest"]].tolist() == [
            6,
            0,
            6,
        ]

    def test_chance_of_staying_good_falls_with_bakes(
        self, four_pits: ps.UsableArea
    ) -> None:
        for _, own in four_pits.future.groupby("pit"):
            assert own["bakes"].tolist() == [1, 2, 3, 4, 5]
            assert own["estimate"].is_monotonic_decreasing
            # Never below what equal cells would give, p ** m.
            first = float(own["estimate"].iloc[0])
            assert (own["estimate"].to_numpy() >= first ** own["bakes"] - 1e-9).all()
            ratio = own["area"] / own["estimate"]
            assert np.ptp(ratio) == pytest.approx(0, abs=1e-6)

    def test_next_time_is_the_mean_over_the_map(self, four_pits: ps.UsableArea) -> None:
        tested = four_pits.cells[four_pits.cells["n_items"] > 0]
        chances = tested.groupby("pit", sort=False)["estimate"].mean()
        once = four_pits.future[four_pits.future["bakes"] == 1].set_index("pit")
        assert once["estimate"].to_numpy() == pytest.approx(chances.to_numpy())

    def test_share_and_area_agree_for_pits_of_one_size(self) -> None:
        area = ps.estimate_usable_area(ps.demo_study("nothing_burned"))
        same = ps.estimate_usable_area(ps.demo_study("unfair_order"))
        pairs = same.differences.set_index("measure")
        share, sized = pairs.loc["share"], pairs.loc["area"]
        assert sized["verdict"].tolist() == share["verdict"].tolist()
        assert (sized["estimate"] / 288).to_numpy() == pytest.approx(
            share["estimate"].to_numpy(), abs=0.005
        )
        assert set(area.differences["measure"]) == {
            "share",
            "area",
            "every share",
            "every area",
        }

    def test_larger_pit_has_more_area_at_the_same_share(self) -> None:
        # 20 cells against 6, four items in five good, four bakes each.
        def item(bake: str, row: int, column: int) -> dict[str, object]:
            bad = (3 * row + column + int(bake[1])) % 5 == 0
            return {"grade_top": "burned" if bad else "golden"}

        names = [f"{pit}{k}" for pit in "AB" for k in range(1, 5)]
        items = pd.concat(
            [placed(names[:4], 4, 5, item), placed(names[4:], 2, 3, item)]
        )
        grates = SIZES.assign(
            rows=[4, 2], columns=[5, 3], cell_length=4.0, cell_width=4.0
        )
        found = ps.estimate_usable_area(study_of(items, grates=grates)).differences
        verdict = found.set_index("measure")["verdict"]
        assert verdict["share"] == "cannot tell"
        assert verdict["area"] == "differs"

    def test_grates_apart_and_together(self, four_pits: ps.UsableArea) -> None:
        grates = four_pits.grates
        assert grates["pit"].tolist() == ["Mill", "Mill"]
        assert grates["area_tested"].sum() == 480
        both = four_pits.table.set_index("pit").loc["Mill"]
        assert grates["n_good"].sum() == both["n_good"]
        low, high = grates["estimate"].min(), grates["estimate"].max()
        assert low < both["estimate"] < high

    def test_cells_of_two_sizes_are_weighed(self) -> None:
        # The large grate is good, the small one is not: most of the area is good.
        grates = pd.DataFrame(
            {
                "pit": ["A", "A", "B"],
                "grate": ["main", "top", "main"],
                "rows": [2, 2, 2],
                "columns": [3, 3, 3],
                "cell_length": [6.0, 2.0, 4.0],
                "cell_width": [6.0, 2.0, 4.0],
            }
        )
        names = ["A1", "A2", "A3"]
        items = pd.concat(
            [
                placed(names, 2, 3, lambda *_: {"grade_top": "golden"}).assign(
                    grate="main"
                ),
                placed(names, 2, 3, lambda *_: {"grade_top": "raw"}).assign(
                    grate="top"
                ),
                placed(["B1", "B2"], 2, 3, near_burns).assign(grate="main"),
            ]
        )
        area = ps.estimate_usable_area(study_of(items, grates=grates))
        row = area.table.set_index("pit").loc["A"]
        assert row["area_tested"] == 6 * 36 + 6 * 4
        assert row["estimate"] == pytest.approx(0.5, abs=0.05)
        assert row["area"] / row["area_tested"] > 0.75
        assert any("cells of different size" in note for note in area.caveats)

    def test_one_bake_each_gives_no_verdict(self) -> None:
        area = ps.estimate_usable_area(ps.demo_study("one_bake_each"))
        assert set(area.differences["verdict"]) == {"one bake each"}
        assert area.future.empty
        assert area.one_bake_each

    def test_without_sizes_there_is_a_share_only(self) -> None:
        area = ps.estimate_usable_area(study_of(placed(FOUR, 1, 7, near_burns)))
        assert area.unit == ""
        assert area.table[["area", "area_tested"]].isna().all().all()
        assert set(area.differences["measure"]) == {"share", "every share"}
        assert any("given as a share only" in note for note in area.caveats)

    def test_pit_of_which_all_is_missing_is_a_row_without_numbers(self) -> None:
        def item(bake: str, row: int, column: int) -> dict[str, object]:
            return {"missing": "rain"} if bake[0] == "A" else {"grade_top": "golden"}

        area = ps.estimate_usable_area(study_of(placed(FOUR, 2, 3, item), grates=SIZES))
        row = area.table.set_index("pit").loc["A"]
        assert np.isnan(row["estimate"])
        assert row["n_missing"] == 12
        assert area.differences.empty

    def test_number_of_coming_bakes_is_checked(self) -> None:
        with pytest.raises(ps.DesignError, match="from 1 to 5"):
            ps.estimate_usable_area(ps.demo_study("four_pits"), next_bakes=6)
