"""A package is the same bytes from the same input, and any change of it is found."""

import io
import json
import os
import zipfile
from dataclasses import replace
from datetime import date
from importlib.metadata import distribution
from pathlib import Path
from types import SimpleNamespace
from unittest.mock import patch

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import pitstats as ps
from pitstats.exchange import verify
from pitstats.exchange.carried import carried_package, data_link, sealed
from pitstats.exchange.crate import NO_DAY
from pitstats.exchange.data_package import digest
from pitstats.exchange.package import (
    MANIFEST,
    last_day,
    manifest_bytes,
    package_files,
)
from pitstats.exchange.result_tables import RESULTS, result_files
from pitstats.exchange.zip_file import zip_bytes
from pitstats.study.demo import copy_demo
from pitstats.study.frozen_plan import kept_plan, read_plan

DAY = date(2026, 5, 30)
SEAL = b'name="pitstats-seal"'
NO_NUMBERS = pd.DataFrame({"same": []})
LEADING = ("burn_rates", "comparison")  # few results suffice where others are meant


@pytest.fixture(scope="module")
def files() -> dict[str, bytes]:
    return package_files(ps.demo_study("one_bake_each"), published=DAY)


@pytest.fixture(scope="module")
def few_results() -> dict[str, bytes]:
    """A package that is quickly worked out again; `files` has every result."""
    study = ps.demo_study("one_bake_each")
    return package_files(study, published=DAY, names=LEADING)


@pytest.fixture(scope="module")
def packed(files: dict[str, bytes], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("packed") / "test.zip"
    path.write_bytes(zip_bytes(files))
    return path


def test_the_same_input_gives_the_same_bytes(files: dict[str, bytes]) -> None:
    again = package_files(ps.demo_study("one_bake_each"), published=DAY)
    assert zip_bytes(again) == zip_bytes(dict(reversed(files.items())))


def test_the_study_comes_back_equal(files: dict[str, bytes], tmp_path: Path) -> None:
    for path, data in files.items():
        if path.startswith("study/"):
            (tmp_path / path.removeprefix("study/")).write_bytes(data)
    assert ps.read_study(tmp_path) == ps.demo_study("one_bake_each")


def test_what_the_study_cannot_answer_is_listed_with_its_reason(
    files: dict[str, bytes],
) -> None:
    unanswered = pd.read_csv(io.BytesIO(files["results/unanswered.csv"]))
    given = {path[8:-4] for path in files if path.startswith("results/")}
    assert set(unanswered["result"]) | given == set(RESULTS) | {"unanswered"}
    assert unanswered["reason"].str.len().min() > 20


def test_an_untouched_package_is_the_same(packed: Path) -> None:
    found = ps.verify_package(packed)
    assert found.same
    assert found.changed == ()
    assert len(found.table) > 100
    assert "No file was changed" in found.sentence


def test_a_number_typed_over_is_found_and_named(
    few_results: dict[str, bytes], tmp_path: Path
) -> None:
    files = few_results
    table = pd.read_csv(io.BytesIO(files["results/burn_rates.csv"]))
    table.loc[1, "estimate"] += 0.05
    changed = files | {"results/burn_rates.csv": table.to_csv(index=False).encode()}
    path = tmp_path / "bent.zip"
    path.write_bytes(zip_bytes(changed))
    found = ps.verify_package(path)
    assert found.changed == ("results/burn_rates.csv",)
    differ = found.table[~found.table["same"]]
    assert differ[["result", "row", "column"]].values.tolist() == [
        ["burn_rates", 3, "estimate"]
    ]
    assert not found.same

    # With hashes that fit the bent file, the number alone still gives it away.
    changed[MANIFEST] = manifest_bytes(changed, LEADING)
    path.write_bytes(zip_bytes(changed))
    found = ps.verify_package(path)
    assert found.changed == ()
    assert not found.same


def test_a_record_typed_over_changes_the_numbers(
    few_results: dict[str, bytes], tmp_path: Path
) -> None:
    items = few_results["study/items.csv"].replace(b"golden", b"burned", 8)
    path = tmp_path / "bent.zip"
    path.write_bytes(zip_bytes(few_results | {"study/items.csv": items}))
    found = ps.verify_package(path)
    assert found.changed == ("study/items.csv",)
    assert not found.table["same"].all()


def test_a_reason_in_other_words_is_another_file_and_no_other_number(
    files: dict[str, bytes], tmp_path: Path
) -> None:
    table = pd.read_csv(io.BytesIO(files["results/unanswered.csv"]))
    table["reason"] = "An earlier version said it like this."
    path = tmp_path / "earlier.zip"
    said = {"results/unanswered.csv": table.to_csv(index=False).encode()}
    path.write_bytes(zip_bytes(files | said))
    found = ps.verify_package(path)
    assert found.changed == ("results/unanswered.csv",)
    assert found.table["same"].all()
    assert "unanswered" in set(found.table["result"])


def test_a_record_that_cannot_be_read_gives_no_number(
    files: dict[str, bytes], tmp_path: Path
) -> None:
    path = tmp_path / "bent.zip"
    items = files["study/items.csv"].replace(b"golden", b"no grade of this scale")
    path.write_bytes(zip_bytes(files | {"study/items.csv": items}))
    found = ps.verify_package(path)
    assert not found.same
    assert found.sentence.startswith("No number could be worked out again.")
    assert "The record in it cannot be read" in found.sentence


@settings(max_examples=60, deadline=None)
@given(place=st.floats(0, 1, exclude_max=True), flip=st.integers(1, 255))
def test_any_changed_byte_is_found(
    packed: Path, tmp_path_factory: pytest.TempPathFactory, place: float, flip: int
) -> None:
    data = bytearray(packed.read_bytes())
    data[int(place * len(data))] ^= flip
    path = tmp_path_factory.getbasetemp() / "flipped.zip"
    path.write_bytes(data)
    try:
        found = ps.verify_package(path)
    except ps.PackageError:
        return
    assert found.changed
    assert not found.same


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "no page that carries its data"),
        (b"PK\x03\x04 nonsense", "no page that carries its data"),
        (b"<html><head></head></html>", "no page that carries its data"),
        (zip_bytes({"a.txt": b"x"}), "no package"),
        (zip_bytes({"../a.txt": b"x"}), "file names"),
        (zip_bytes({MANIFEST: b"[" * 100_000}), "no package"),
        (
            zip_bytes(
                {
                    MANIFEST: json.dumps(
                        {
                            "format": "pitstats package",
                            "version": 9,
                            "sha256": {},
                            "results": [],
                        }
                    ).encode()
                }
            ),
            "version 9",
        ),
    ],
)
def test_other_files_are_refused_in_a_sentence(
    tmp_path: Path, content: bytes, words: str
) -> None:
    path = tmp_path / "other"
    path.write_bytes(content)
    with pytest.raises(ps.PackageError, match=words):
        ps.verify_package(path)


def test_a_bomb_is_measured_before_it_is_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for number in range(3):
            archive.writestr(f"{number}", bytes(80_000_000))
    assert path.stat().st_size < 1_000_000
    with pytest.raises(ps.PackageError, match="more than any package"):
        ps.verify_package(path)


@pytest.mark.parametrize("method", [zipfile.ZIP_DEFLATED, zipfile.ZIP_LZMA])
def test_a_damaged_stream_is_told(method: int, tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.zip", "w", method) as archive:
        archive.writestr(MANIFEST, bytes(range(256)) * 40)
    data = bytearray((tmp_path / "a.zip").read_bytes())
    for place in range(30 + len(MANIFEST), len(data) - 90, 7):
        data[place] ^= 0xFF
        (tmp_path / "a.zip").write_bytes(data)
        with pytest.raises(ps.PackageError):
            ps.verify_package(tmp_path / "a.zip")


def test_a_plan_that_is_a_link_out_of_the_study_is_not_followed(tmp_path: Path) -> None:
    copy_demo("one_bake_each", tmp_path / "s")
    (tmp_path / "secret.txt").write_text("mine")
    (tmp_path / "s" / "plan.json").symlink_to(tmp_path / "secret.txt")
    plan = kept_plan(tmp_path / "s")
    assert plan == b""
    assert not read_plan(plan).intact
    (tmp_path / "s" / "plan.json").unlink()
    os.mkfifo(tmp_path / "s" / "plan.json")
    assert kept_plan(tmp_path / "s") == b""


def test_a_page_carries_its_data_and_shows_changes(tmp_path: Path) -> None:
    study = ps.demo_study("one_bake_each")
    files = package_files(study, published=DAY, names=LEADING)
    data = zip_bytes(files, compressed=True)
    link = data_link(data, "data.zip", "The data")
    page = sealed(f"<html><head><title>T</title></head><p>12 %</p>{link}</html>")
    path = tmp_path / "page.html"
    path.write_text(page)
    assert ps.verify_package(path).same
    path.write_text(page.replace("12 %", "11 %"))
    found = ps.verify_package(path)
    assert found.changed == ("the page",)
    assert not found.same


def test_a_page_damaged_in_its_data_says_so(tmp_path: Path) -> None:
    link = data_link(zip_bytes({"a": b"a" * 99}, compressed=True), "d.zip", "Data")
    page = sealed(f"<html><head></head>{link}</html>")
    path = tmp_path / "page.html"
    path.write_text(page.replace("base64,UEs", "base64,UEt"))
    with pytest.raises(ps.PackageError, match="changed since it was made"):
        ps.verify_package(path)


def test_the_day_of_publication_is_the_last_that_names_a_session() -> None:
    study = ps.demo_study("four_pits")
    assert last_day(study) == NO_DAY
    days = {"day 1": "2026-05-30", "day 2": "2026-06-02, windy", "day 3": "2026-13-01"}
    named = study.bakes.assign(session=study.bakes["session"].replace(days))
    assert last_day(replace(study, bakes=named)) == date(2026, 6, 2)


@settings(max_examples=60, deadline=None)
@given(place=st.floats(0, 1, exclude_max=True), flip=st.integers(1, 255))
def test_any_changed_byte_of_a_report_is_found(
    report: Path, tmp_path_factory: pytest.TempPathFactory, place: float, flip: int
) -> None:
    data = bytearray(report.read_bytes())
    data[int(place * len(data))] ^= flip
    path = tmp_path_factory.getbasetemp() / "flipped.html"
    path.write_bytes(data)
    with patch.object(verify, "_compared", return_value=NO_NUMBERS):
        try:
            changed = ps.verify_package(path).changed
        except ps.PackageError as error:
            changed = (str(error),)
    named = ("the page", "The page was changed since it was made: the data inside it")
    assert any(change.startswith(named) for change in changed) or SEAL not in data


def test_a_brief_report_of_a_workbook_carries_its_data(report: Path) -> None:
    found = ps.verify_package(report)
    assert found.same
    assert set(found.table["result"]) >= {"burn_rates", "comparison", "grades"}
    html = report.read_text("utf-8")
    assert '<details class="chapter"' not in html
    assert "<script" not in html
    assert html.index("Take the data of this page") > html.index("<footer>")
    packed = zipfile.ZipFile(io.BytesIO(carried_package(html)))
    assert "study/bakes.csv" in packed.namelist()
    assert not [name for name in packed.namelist() if name.endswith("html")]


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    ps.write_study(ps.demo_study("one_bake_each"), folder / "mine.xlsx")
    return ps.render_report(
        folder / "mine.xlsx", out=folder / "out", brief=True, progress=False
    )


def test_a_page_hands_on_what_the_public_functions_return() -> None:
    whole = ps.demo_study("four_pits")
    days = whole.bakes["session"].drop_duplicates().iloc[:2]
    bakes = whole.bakes[whole.bakes["session"].isin(days)]
    items = whole.items[whole.items["bake"].isin(bakes["bake"])]
    study = ps.Study.from_checked(
        whole.settings,
        whole.tables | {"bakes": bakes, "items": items},
        whole.assumptions,
    )
    results = ps.StudyResults(study)
    assert results.both.leads == "common"
    files = results.files()
    assert {"comparison.csv", "ranks.csv", "grades.csv", "evenness.csv"} <= set(files)
    assert files == result_files(study)
    assert results.as_packed
    assert not ps.StudyResults(study, conf_level=0.8).as_packed
    assert not ps.StudyResults(study, seed=2).as_packed


def test_nothing_is_overwritten_unasked(tmp_path: Path) -> None:
    study = ps.demo_study("one_bake_each")
    path = ps.write_package(study, tmp_path / "mine", published=DAY)
    assert path.name == "mine.zip"
    before = path.read_bytes()
    with pytest.raises(ps.ExistsError):
        ps.write_package(study, path, published=DAY)
    assert path.read_bytes() == before


@pytest.mark.parametrize("name", ["four_pits", "probed_pits"])
def test_the_tables_pass_the_validator_of_the_data_package_standard(
    name: str, tmp_path: Path
) -> None:
    from frictionless import validate

    unpacked = _unpacked(name, tmp_path)
    report = validate(str(unpacked / "datapackage.json"))
    assert report.valid, report.flatten(["type", "title", "message"])
    assert report.stats["tasks"] == len(list(unpacked.rglob("*.csv")))


# Of the validator itself and the libraries under it.
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_the_metadata_pass_the_validator_of_the_research_object_standard(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from rocrate_validator import models, services
    from rocrate_validator.utils.http import HttpRequester

    # The validator fetches the context of the standard; the package of the standard's
    # own library brings a copy (of version 1.3, in which our few terms mean the same).
    shipped = distribution("rocrate").locate_file("rocrate/data/ro-crate.jsonld")
    context = json.loads(Path(str(shipped)).read_text("utf-8"))
    answer = SimpleNamespace(
        status_code=200,
        json=lambda: context,
        text=json.dumps(context),
        headers={"Content-Type": "application/ld+json"},
    )
    monkeypatch.setattr(
        HttpRequester, "__getattr__", lambda self, name: lambda url, **_: answer
    )
    result = services.validate(
        models.ValidationSettings(
            rocrate_uri=str(_unpacked("one_bake_each", tmp_path)),
            profile_identifier="ro-crate-1.1",
            requirement_severity=models.Severity.REQUIRED,
        )
    )
    assert result.passed(), [issue.message for issue in result.get_issues()]


def test_the_manifest_lists_every_file(files: dict[str, bytes]) -> None:
    hashes = json.loads(files[MANIFEST])["sha256"]
    assert hashes == {p: digest(d) for p, d in files.items() if p != MANIFEST}


def _unpacked(name: str, folder: Path) -> Path:
    files = package_files(ps.demo_study(name), published=DAY, names=LEADING)
    for path, data in files.items():
        target = folder / "crate" / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
    return folder / "crate"
