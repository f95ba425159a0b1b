"""What is stored is our own picture: upright, small, without anything but its pixels."""

import io
import re
import resource
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image, ImageCms

import service
from service.config import PicturesConfig
from service.errors import InvalidInputError
from service.pictures import reencode
from service.pictures.intake import EDGE_PX, THUMBNAIL_PX, Intake, TooManyUploadsError
from tests.pictures.samples import (
    HEIC,
    HOSTILE,
    SECRET,
    Sent,
    exif,
    halves,
    opened,
    picture,
    png_of,
    polyglot,
)

FIFTY = 50_000_000


def made(data):
    size, whole, small = reencode.reencoded(data, FIFTY, EDGE_PX, THUMBNAIL_PX)
    assert opened(whole).size == size
    return opened(whole), opened(small)


def is_red(image, x, y):
    red, green, _ = image.getpixel((x, y))
    return red > 120 > green


@pytest.mark.parametrize("format", ["JPEG", "PNG", "WEBP"])
def test_formats_of_phones_are_read(format):
    whole, small = made(picture(format))
    assert whole.format == small.format == "JPEG"
    assert whole.size == (64, 48)
    assert is_red(whole, 5, 20) and not is_red(whole, 60, 20)


def test_heic_is_read_where_its_library_is_installed():
    whole, _ = made(HEIC)
    assert whole.size == (64, 48) and is_red(whole, 5, 20) and not is_red(whole, 60, 20)


@pytest.mark.parametrize("data", [picture(exif=exif()), HEIC, picture("PNG", exif=exif())])
def test_place_camera_and_everything_else_is_removed(data):
    assert len(opened(data).getexif()) if data is not HEIC else b"Exif" in data
    for one in made(data):
        assert not one.getexif() and set(one.info) <= {
            "jfif",
            "jfif_version",
            "jfif_unit",
            "jfif_density",
            "progressive",
            "progression",
        }
    _, whole, small = reencode.reencoded(data, FIFTY, EDGE_PX, THUMBNAIL_PX)
    assert b"Exif" not in whole + small and SECRET not in whole + small


@pytest.mark.parametrize("orientation", range(1, 9))
def test_pictures_are_set_upright(orientation):
    """Exif 2.32, table 4: where row 0 and column 0 of the pixels are seen; each is a mirror image
    or a turn that Pillow's own ``exif_transpose`` undoes as well."""
    from PIL import ImageOps

    data = picture(exif=exif(orientation), quality=95)
    whole, _ = made(data)
    expected = ImageOps.exif_transpose(opened(data))
    assert whole.size == expected.size
    for x, y in ((3, 3), (whole.width - 4, 3), (3, whole.height - 4)):
        assert is_red(whole, x, y) == is_red(expected, x, y)


def test_large_ones_are_made_smaller_and_small_ones_stay():
    whole, small = made(picture(size=(3000, 1500)))
    assert whole.size == (EDGE_PX, EDGE_PX // 2) and small.size == (THUMBNAIL_PX, THUMBNAIL_PX // 2)
    whole, small = made(picture(size=(100, 50)))
    assert whole.size == small.size == (100, 50)


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGBA", "I;16"])
def test_every_kind_of_pixels_becomes_rgb(mode):
    out = io.BytesIO()
    Image.new(mode, (64, 48)).save(out, "PNG")
    whole, _ = made(out.getvalue())
    assert whole.mode == "RGB"
    clear = mode in ("LA", "RGBA")
    assert whole.getpixel((10, 10)) == ((255, 255, 255) if clear else (0, 0, 0))


def test_other_colour_spaces_become_those_of_browsers():
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    whole, _ = made(picture(icc_profile=profile))
    assert is_red(whole, 5, 20) and "icc_profile" not in whole.info
    whole, _ = made(picture(icc_profile=b"no profile at all"))
    assert is_red(whole, 5, 20) and "icc_profile" not in whole.info


def test_what_hides_in_a_picture_is_gone():
    _, whole, small = reencode.reencoded(polyglot(), FIFTY, EDGE_PX, THUMBNAIL_PX)
    for one in (whole, small):
        assert one.startswith(b"\xff\xd8") and one.endswith(b"\xff\xd9")
        assert b"script" not in one and b"PK\x03\x04" not in one


@pytest.mark.parametrize("what", HOSTILE)
def test_hostile_files_are_refused(what):
    """In this process: a decoder's error of any kind ends in a refusal of ``main``."""
    with pytest.raises((reencode.RefusedError, OSError, ValueError, SyntaxError, EOFError)):
        reencode.reencoded(HOSTILE[what], FIFTY, EDGE_PX, THUMBNAIL_PX)


def test_the_size_is_looked_at_before_a_pixel_is_decoded():
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(reencode.RefusedError) as refused:
        reencode.reencoded(png_of(60_000, 60_000), FIFTY, EDGE_PX, THUMBNAIL_PX)
    assert refused.value.args == ("60000 x 60000 pixels", "up to 50 megapixels")
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 50_000


def refusal(data, **limits):
    with pytest.raises(InvalidInputError) as refused:
        Intake(PicturesConfig(**limits)).reencoded(Sent(data), {"known"}.__contains__)
    (fault,) = refused.value.faults
    assert fault.pointer == "/picture/0"
    return fault.detail


def test_a_process_of_its_own_reads_them():
    source, found = Intake(PicturesConfig()).reencoded(Sent(picture()), {"known"}.__contains__)
    assert len(source) == 64 and (found.width, found.height) == (64, 48)
    assert opened(found.picture).size == (64, 48)


@pytest.mark.parametrize(
    ("data", "limits", "words"),
    [
        (b"<svg/>", {}, "is 'no picture that can be read here'; allowed: JPEG, PNG, WebP, HEIC"),
        (HOSTILE["cut off"], {}, "is 'broken or cut off'; allowed: a whole picture"),
        (picture(size=(1100, 1000)), {"megapixels": 1}, "'1100 x 1000 pixels'; allowed: up to 1 "),
        (b"\0" * 200_000, {"picture_mb": 0.1}, "is 'more than 0.1 MB'; allowed: up to 0.1 MB (pic"),
    ],
)
def test_refusals_name_field_value_and_what_is_allowed(data, limits, words):
    assert words in refusal(data, **limits)


def test_memory_is_bounded():
    """A limit that is too small for the pixels: what would fill the machine ends that process."""
    command = [sys.executable, "-I", reencode.__file__, "50", "160", "60", "2048", "320"]
    data = png_of(7000, 7000)
    done = subprocess.run(command, input=data, capture_output=True, check=False)
    assert b"too large for the memory" in done.stdout


def test_time_is_bounded(monkeypatch):
    monkeypatch.setattr("service.pictures.intake._PATIENCE_S", 0.001)
    assert "too much to read in the time and memory for one" in refusal(picture())


def test_only_so_many_requests_wait():
    intake = Intake(PicturesConfig())
    with intake.place(), intake.place():
        with intake.place(), pytest.raises(TooManyUploadsError), intake.place():
            pass
        with intake.place():
            pass


def test_the_service_itself_never_loads_the_decoders():
    """They are large, and a fault in one is over with the process that read the picture."""
    root = Path(service.__file__).parent
    program = Path(reencode.__file__)
    for file in root.rglob("*.py"):
        text = file.read_text()
        loads = re.search(r"^ *(from|import) (PIL|pi_heif)\b", text, re.M)
        assert file == program or not loads, file
        assert not re.search(r"import.*\breencode\b", text), f"{file} would run it in the service"


def test_halves_are_what_the_tests_take_them_for():
    assert is_red(halves(), 5, 5) and not is_red(halves(), 60, 5)
