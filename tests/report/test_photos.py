"""Photographs: small, upright, from inside the folder only, and nothing but pixels."""

import dataclasses
import io
import tracemalloc
import zlib
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
    assert photo.problem.startswith("The photograph '")
    assert " of bake A1 is not shown: " in photo.problem


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


def test_a_program_called_jpg_is_not_run(tmp_path: Path) -> None:
    """PostScript that would write a file, and never end, if anything interpreted it."""
    written = tmp_path / "written"
    program = (
        "%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 20 20\n%%EndComments\n"
        f"({written}) (w) file closefile\n{{ }} loop\nshowpage\n%%EOF\n"
    )
    (tmp_path / "grate.jpg").write_text(program)
    photo = read_photo(tmp_path, "A1", "grate.jpg")
    assert "'grate.jpg' of bake A1" in photo.problem
    assert "(JPEG, PNG and WebP can)" in photo.problem
    assert not written.exists()


@pytest.mark.parametrize("kind", ["GIF", "TIFF", "BMP", "AVIF", "PPM", "EPS", "ICO"])
def test_other_kinds_of_picture_are_not_opened(kind: str, tmp_path: Path) -> None:
    Image.new("RGB", (16, 16)).save(tmp_path / "a.jpg", format=kind)
    assert "can)." in read_photo(tmp_path, "A1", "a.jpg").problem


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_every_kind_that_is_allowed_can_be_read(kind: str, tmp_path: Path) -> None:
    Image.new("RGB", (30, 20), "red").save(tmp_path / "a.jpg", format=kind)
    assert read_photo(tmp_path, "A1", "a.jpg").size == (30, 20)


def bomb(path: Path, side: int) -> None:
    """A PNG of one color, thousands of times smaller than its pixels."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        check = zlib.crc32(kind + data).to_bytes(4, "big")
        return len(data).to_bytes(4, "big") + kind + data + check

    head = side.to_bytes(4, "big") * 2 + b"\x08\x00\x00\x00\x00"
    rows = zlib.compress(bytes(side + 1) * side, 9)
    parts = chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + parts)


def test_a_bomb_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    bomb(tmp_path / "a.png", 6100)
    tracemalloc.start()
    try:
        photo = read_photo(tmp_path, "A1", "a.png")
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert "larger than 36 megapixels" in photo.problem
    assert peak < 5e6


def test_what_makes_a_reader_fail_oddly_is_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Image.new("RGB", (30, 20), "red").save(tmp_path / "a.jpg")

    def fail(*_: object) -> None:
        raise RuntimeError("decoder")

    monkeypatch.setattr(Image.Image, "thumbnail", fail)
    assert "broken" in read_photo(tmp_path, "A1", "a.jpg").problem


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
