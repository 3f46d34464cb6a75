"""Photographs: what is taken, what is refused, and what their EXIF may not make us believe.

Tag numbers from CIPA DC-008 (EXIF 2.32), from memory.
"""

from __future__ import annotations

import io

import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from skysill.errors import InputError
from skysill.io import photos
from skysill.io.photos import LONGEST_SIDE, photo_from_bytes, picture_suffix, read_photo

GPS = 0x8825


def picture(path, *, size=(80, 40), gps=None, orientation=None, taken=None, mode="RGB", **save):
    image = Image.new(mode, size, (200, 30, 30) if mode == "RGB" else None)
    if mode == "RGB":
        image.paste((30, 30, 200), (0, 0, size[0] // 2, size[1]))  # left half blue
    exif = Image.Exif()
    if orientation is not None:
        exif[0x0112] = orientation
    if taken is not None:
        exif[0x0132] = taken
    if gps is not None:
        exif.get_ifd(GPS).update(gps)
    image.save(path, exif=exif, **save)
    return path


def placed(north=(58.0, 1.0, 52.32), east=(24.0, 39.0, 14.76), *, letters=("N", "W"), **more):
    return {1: letters[0], 2: north, 3: letters[1], 4: east, **more}


def test_position_direction_and_time_are_read(tmp_path):
    """58 1 52.32 N is 58 + 1/60 + 52.32/3600 degrees."""
    file = picture(tmp_path / "a.jpg", gps=placed(**{}) | {16: "M", 17: 171.5}, taken="2026:06:14 11:20:05")
    photo = read_photo(file)
    assert (photo.latitude_deg, photo.longitude_deg) == pytest.approx((58.0312, -24.6541), abs=1e-6)
    assert (photo.direction_deg, photo.direction_from) == (171.5, "magnetic")
    assert photo.taken == "2026-06-14 11:20:05"
    assert photo.notes == ()


def test_the_picture_is_turned_as_its_exif_asks(tmp_path):
    """Orientation 6: row 0 is the right side, so the camera was held upright: blue left becomes blue on top."""
    photo = read_photo(picture(tmp_path / "a.jpg", orientation=6))
    assert (photo.width, photo.height) == (40, 80)
    red, _, blue = Image.open(io.BytesIO(photo.jpeg)).convert("RGB").getpixel((20, 10))
    assert blue > 150 > red


def test_nothing_of_the_exif_stays_in_the_picture(tmp_path):
    photo = read_photo(picture(tmp_path / "a.jpg", gps=placed(), orientation=6, taken="2026:06:14 11:20:05"))
    assert not dict(Image.open(io.BytesIO(photo.jpeg)).getexif())
    assert b"Exif" not in photo.jpeg


def test_large_pictures_are_made_small(tmp_path):
    photo = read_photo(picture(tmp_path / "a.jpg", size=(4000, 3000)))
    assert (photo.width, photo.height) == (LONGEST_SIDE, 1200)
    assert len(photo.jpeg) < 400_000


@pytest.mark.parametrize(
    ("mode", "suffix"), [("RGBA", "png"), ("L", "png"), ("P", "png"), ("CMYK", "jpg"), ("1", "tif")]
)
def test_every_kind_of_picture_becomes_a_plain_one(tmp_path, mode, suffix):
    file = tmp_path / f"a.{suffix}"
    Image.new(mode, (30, 20)).save(file)
    assert Image.open(io.BytesIO(read_photo(file).jpeg)).mode == "RGB"


@pytest.mark.parametrize(
    ("gps", "sentence"),
    [
        (placed((91.0, 0.0, 0.0)), "position"),
        (placed((58.0, 1.0, IFDRational(1, 0))), "position"),
        (placed((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)), "position"),
        (placed(letters=("X", "W")), "position"),
        ({1: "N", 2: (58.0, 1.0, 52.0)}, "position"),
        ({16: "T", 17: 725.0}, "direction"),
    ],
)
def test_an_exif_that_lies_is_left_out_and_said(tmp_path, gps, sentence):
    photo = read_photo(picture(tmp_path / "a.jpg", gps=gps))
    assert photo.latitude_deg is None
    assert photo.direction_deg is None
    assert any(sentence in note for note in photo.notes)


@pytest.mark.parametrize("taken", ["0000:00:00 00:00:00", "yesterday", "2026:13:45 99:99:99"])
def test_a_time_that_is_none_is_left_out(tmp_path, taken):
    assert read_photo(picture(tmp_path / "a.jpg", taken=taken)).taken is None


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_an_orientation_that_does_not_exist_leaves_the_picture_as_it_lies(tmp_path, orientation):
    photo = read_photo(picture(tmp_path / "a.jpg", orientation=orientation))
    assert (photo.width, photo.height) == (80, 40)


def test_a_mangled_exif_block_does_no_harm(tmp_path):
    raw = picture(tmp_path / "a.jpg", gps=placed()).read_bytes()
    at = raw.index(b"Exif\x00\x00") + 10
    for shift in range(0, 120, 3):
        (tmp_path / "b.jpg").write_bytes(raw[: at + shift] + b"\xff\xfe\x7f" + raw[at + shift + 3 :])
        assert read_photo(tmp_path / "b.jpg").jpeg  # read, or left out; never a fault of ours


def test_what_is_no_picture_is_refused_in_a_line(tmp_path):
    (tmp_path / "a.jpg").write_bytes(b"<html>not a photo</html>")
    with pytest.raises(
        InputError, match=r"a\.jpg: is not a picture that can be read\. Save it as JPEG or PNG\."
    ):
        read_photo(tmp_path / "a.jpg")
    (tmp_path / "b.svg").write_text("<svg xmlns='http://www.w3.org/2000/svg'/>")
    with pytest.raises(InputError, match="is not a picture"):
        read_photo(tmp_path / "b.svg")
    with pytest.raises(InputError, match="there is no such file"):
        read_photo(tmp_path / "c.jpg")
    (tmp_path / "d.jpg").write_bytes(b"")
    with pytest.raises(InputError, match="is not a picture"):
        read_photo(tmp_path / "d.jpg")


def test_a_picture_that_breaks_off_is_refused(tmp_path):
    raw = picture(tmp_path / "a.jpg", size=(800, 600)).read_bytes()
    (tmp_path / "b.jpg").write_bytes(raw[: len(raw) // 2])
    with pytest.raises(InputError, match="damaged picture, or breaks off"):
        read_photo(tmp_path / "b.jpg")


def test_200_megabytes_are_refused_before_they_are_read(tmp_path):
    with (tmp_path / "a.jpg").open("wb") as file:
        file.truncate(200_000_000)  # a hole: takes no disk
    with pytest.raises(InputError, match=r"a\.jpg: is 200 MB; photos of up to 60 MB are taken\."):
        read_photo(tmp_path / "a.jpg")


def test_a_small_file_that_unpacks_to_too_much_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(photos, "MOST_PIXELS", 1000)
    with pytest.raises(InputError, match="has 80 by 40 pixels, too many for a photo"):
        read_photo(picture(tmp_path / "a.jpg"))
    monkeypatch.undo()
    Image.new("1", (15_000, 15_000)).save(tmp_path / "bomb.png")  # 30 kB
    with pytest.raises(InputError, match="too many"):
        read_photo(tmp_path / "bomb.png")


def test_bytes_that_were_handed_over_are_read_as_a_file_would_be(tmp_path):
    path = tmp_path / "gable.jpg"
    Image.new("RGB", (40, 30), "red").save(path)
    raw = path.read_bytes()
    assert photo_from_bytes(raw, "gable.jpg") == read_photo(path)
    assert picture_suffix(raw) == ".jpg"


@pytest.mark.parametrize(
    "raw", [b"", b"MZ\x90", b"<svg xmlns='http://www.w3.org/2000/svg'/>", b"GIF89a" + bytes(20)]
)
def test_bytes_that_are_no_picture_are_refused_whatever_their_name(raw):
    assert picture_suffix(raw) == ""
    with pytest.raises(InputError, match=r"gable\.jpg: is not a picture"):
        photo_from_bytes(raw, "gable.jpg")
