"""Photographs: small, upright, from inside the folder only, and nothing but pixels."""

import dataclasses
import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import pitstats as ps
from pitstats.report.photos import bake_photos, read_photo

ORIENTATION, GPS, MAKER = 0x0112, 0x8825, 0x010F


def telephone_picture(path: Path, size: tuple[int, int] = (1600, 1200)) -> None:
    """Lying on its side, dark at what is the top, with place and maker inside."""
    pixels = np.full((size[1], size[0], 3), 230, dtype=np.uint8)
    pixels[:, : size[0] // 4] = 20
    exif = Image.Exif()
    exif[ORIENTATION] = 6
    exif[MAKER] = "Somebody"
    exif.get_ifd(GPS).update({1: "N", 2: (48.0, 8.0, 15.0), 3: "E", 4: (11.0, 34.0, 0)})
    Image.fromarray(pixels).save(
        path, exif=exif, comment=b"at my house", icc_profile=b"\0" * 200
    )


def opened(jpeg: bytes) -> Image.Image:
    return Image.open(io.BytesIO(jpeg))


def test_a_copy_is_small_upright_and_tells_nothing_else(tmp_path: Path) -> None:
    telephone_picture(tmp_path / "a.jpg")
    before = Image.open(tmp_path / "a.jpg").getexif()
    assert before.get_ifd(GPS)
    assert before[ORIENTATION] == 6
    photo = read_photo(tmp_path, "A1", "a.jpg")
    copy = opened(photo.jpeg)
    assert photo.problem == ""
    assert copy.size == photo.size == (480, 640)
    assert dict(copy.getexif()) == {}
    assert not copy.getexif().get_ifd(GPS)
    assert {"exif", "icc_profile", "comment"}.isdisjoint(copy.info)
    assert b"Somebody" not in photo.jpeg
    assert b"house" not in photo.jpeg
    # Turned as it was held: what was on the left of the file is at the top.
    pixels = np.asarray(copy.convert("L"))
    assert pixels[:100].mean() < 60 < 200 < pixels[-100:].mean()


def test_small_and_transparent_pictures_stay_as_they_are(tmp_path: Path) -> None:
    Image.new("RGBA", (30, 20), (0, 0, 0, 0)).save(tmp_path / "a.png")
    photo = read_photo(tmp_path, "A1", "a.png")
    assert photo.size == (30, 20)
    assert np.asarray(opened(photo.jpeg).convert("L")).min() > 250


@pytest.mark.parametrize(
    "name",
    [
        "/etc/hostname",
        "C:\\photos\\a.jpg",
        "\\\\server\\a.jpg",
        "../a.jpg",
        "..\\a.jpg",
        "link.jpg",
        "http://example.org/a.jpg",
        "file:///tmp/a.jpg",
        "a\0.jpg",
    ],
)
def test_nothing_outside_the_folder_is_read(name: str, tmp_path: Path) -> None:
    telephone_picture(tmp_path / "a.jpg", (40, 30))
    folder = tmp_path / "study"
    folder.mkdir()
    (folder / "link.jpg").symlink_to(tmp_path / "a.jpg")
    photo = read_photo(folder, "A1", name)
    assert photo.jpeg == b""
    assert "folder" in photo.problem


@pytest.mark.parametrize("name", ["none.jpg", "sub", "x" * 300, ".", ""])
def test_what_is_not_there_is_a_sentence(name: str, tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    photo = read_photo(tmp_path, "A1", name)
    assert photo.jpeg == b""
    assert photo.problem.startswith("The photograph of bake A1 is not shown: ")


def test_broken_and_foreign_files_are_a_sentence(tmp_path: Path) -> None:
    telephone_picture(tmp_path / "whole.jpg")
    cut = (tmp_path / "whole.jpg").read_bytes()[:3000]
    (tmp_path / "cut.jpg").write_bytes(cut)
    (tmp_path / "text.jpg").write_text("not a picture")
    (tmp_path / "empty.png").write_bytes(b"")
    for name in ("cut.jpg", "text.jpg", "empty.png"):
        photo = read_photo(tmp_path, "A1", name)
        assert photo.jpeg == b""
        assert photo.problem


def test_huge_files_are_refused_before_they_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    telephone_picture(tmp_path / "a.jpg")
    monkeypatch.setattr("pitstats.study.photos._MOST_PIXELS", 1000)
    assert "smaller copy" in read_photo(tmp_path, "A1", "a.jpg").problem
    monkeypatch.setattr("pitstats.study.photos._LARGEST_FILE", 1000)
    assert "smaller copy" in read_photo(tmp_path, "A1", "a.jpg").problem


@pytest.mark.parametrize("name", ["my_test", "my_test.xlsx"])
def test_photographs_lie_beside_the_files_of_the_study(
    name: str, tmp_path: Path
) -> None:
    study = ps.demo_study("one_bake_each")
    bakes = study.bakes.assign(photo=["photos/a.jpg", None])
    ps.write_study(dataclasses.replace(study, bakes=bakes), tmp_path / name)
    folder = tmp_path / name if name == "my_test" else tmp_path
    (folder / "photos").mkdir()
    telephone_picture(folder / "photos" / "a.jpg", (40, 30))
    read = ps.read_study(tmp_path / name)
    assert read == dataclasses.replace(study, bakes=bakes)
    photos = bake_photos(read)
    assert list(photos) == ["Quarry-1"]
    assert photos["Quarry-1"].size == (30, 40)
    # A study that is changed in memory still knows where it came from.
    changed = dataclasses.replace(read, bakes=read.bakes.assign(notes="x"))
    assert list(bake_photos(changed)) == ["Quarry-1"]
