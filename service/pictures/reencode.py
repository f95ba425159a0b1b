"""Reads one picture from standard input and writes it anew, without anything but its pixels.

Run as a program of its own, with limits on memory and time, since decoders of pictures are large
and old: what a hostile file does to this process is over with it. So it imports nothing of ours.
Only pixels get through: no location, no other metadata, nothing that is hidden behind the picture.

    python -I reencode.py MEGAPIXELS MEMORY_MB CPU_S EDGE_PX THUMBNAIL_PX <file

Writes a line of JSON, then two JPEGs: the picture and its thumbnail. Of a file that is refused the
line has ``refused`` alone.
"""

from __future__ import annotations

import io
import json
import resource
import sys
from typing import Any, Final

QUALITY: Final = 85
THUMBNAIL_QUALITY: Final = 75
"""Of the JPEGs, in Pillow's scale. Our choice."""

LEAST_EDGE_PX: Final = 16
_TOO_LARGE: Final = ("too large for the memory that one may take", "fewer pixels, or JPEG")
_BROKEN: Final = ("broken or cut off", "a whole picture")
_WHITE: Final = (255, 255, 255)
_FORMATS: Final = ("JPEG", "PNG", "WEBP")
_ORIENTATION: Final = 0x0112
"""Exif 2.32, table 4: the tag of the orientation."""


class RefusedError(Exception):
    """The file is no picture that is taken: what it is, and what is allowed."""

    def __init__(self, given: str, allowed: str) -> None:
        super().__init__(given, allowed)


def limit(memory_mb: int, cpu_s: int) -> None:
    """Let this process take no more than that, and write no file at all."""
    resource.setrlimit(resource.RLIMIT_AS, (memory_mb << 20, memory_mb << 20))
    resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, cpu_s + 1))
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def formats() -> tuple[str, ...]:
    """The formats that can be read here: HEIC where its library is installed."""
    try:
        from pi_heif import register_heif_opener
    except ImportError:
        return _FORMATS
    register_heif_opener(thumbnails=False)
    return (*_FORMATS, "HEIF")


def reencoded(
    data: bytes, most_pixels: int, edge_px: int, thumbnail_px: int
) -> tuple[Any, bytes, bytes]:
    """A picture's size, its JPEG and that of its thumbnail.

    Raises:
        RefusedError: it is not taken.
        Exception: a decoder's own, of a file that is broken.
    """
    from PIL import Image, UnidentifiedImageError

    known = formats()
    Image.MAX_IMAGE_PIXELS = None  # our own limit comes before it, and names the size
    try:
        image: Any = Image.open(io.BytesIO(data), formats=known)
    except UnidentifiedImageError:
        allowed = ", ".join(_WORDS.get(one, one) for one in known)
        raise RefusedError("no picture that can be read here", allowed) from None
    width, height = image.size
    size = f"{width} x {height} pixels"
    if width * height > most_pixels:
        raise RefusedError(size, f"up to {most_pixels / 1e6:g} megapixels")
    if min(width, height) < LEAST_EDGE_PX:
        raise RefusedError(size, f"at least {LEAST_EDGE_PX} on each side")
    if image.format in ("PNG", "WEBP") and getattr(image, "is_animated", False):
        raise RefusedError("animated", "a still picture")
    profile = image.info.get("icc_profile")
    turned = image.getexif().get(_ORIENTATION, 1)
    image.draft("RGB", (edge_px, edge_px))  # a JPEG is decoded no larger than it is needed
    image.load()
    image = _in_colours(image)
    image.thumbnail((edge_px, edge_px), Image.Resampling.LANCZOS)
    if image.mode == "RGBA":
        image = _on_white(image)
    image = _in_srgb(image, profile)
    if known_turn := _TURNS.get(turned):
        image = image.transpose(getattr(Image.Transpose, known_turn))
    small = image.copy()
    small.thumbnail((thumbnail_px, thumbnail_px), Image.Resampling.LANCZOS)
    return image.size, _jpeg(image, QUALITY), _jpeg(small, THUMBNAIL_QUALITY)


_WORDS: Final = {"WEBP": "WebP", "HEIF": "HEIC"}

#: Exif's orientation -> what sets it upright.
_TURNS: Final = {
    2: "FLIP_LEFT_RIGHT",
    3: "ROTATE_180",
    4: "FLIP_TOP_BOTTOM",
    5: "TRANSPOSE",
    6: "ROTATE_270",
    7: "TRANSVERSE",
    8: "ROTATE_90",
}


def _in_colours(image: Any) -> Any:
    """In RGB, or RGBA where it is transparent: what can be made smaller."""
    if image.mode.startswith("I"):  # 16 bits of grey: the upper eight
        image = image.convert("I").point(lambda value: value * (1 / 256)).convert("L")
    if image.mode in ("LA", "PA", "La", "RGBa") or "transparency" in image.info:
        return image.convert("RGBA")
    return image if image.mode in ("RGB", "RGBA") else image.convert("RGB")


def _on_white(image: Any) -> Any:
    from PIL import Image

    paper = Image.new("RGB", image.size, _WHITE)
    paper.paste(image, mask=image.getchannel("A"))
    return paper


def _in_srgb(image: Any, profile: bytes | None) -> Any:
    """In the colours that a browser assumes of a picture without a profile."""
    if not profile:
        return image
    from PIL import ImageCms

    try:
        found = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        if found.profile.xcolor_space.strip() != "RGB":
            return image  # converted by the decoder already
        return ImageCms.profileToProfile(image, found, ImageCms.createProfile("sRGB"))
    except (ImageCms.PyCMSError, OSError):
        return image  # a profile that cannot be read; the colours are a little off


def _jpeg(image: Any, quality: int) -> bytes:
    from PIL import Image

    bare = Image.new("RGB", image.size)
    bare.paste(image)  # pixels alone: what an image object carries besides stays behind
    out = io.BytesIO()
    bare.save(out, "JPEG", quality=quality, optimize=True, progressive=True)
    return out.getvalue()


def main(arguments: list[str]) -> None:
    """Read, write anew, and say what became of it."""
    megapixels, memory_mb, cpu_s, edge_px, thumbnail_px = map(int, arguments)
    limit(memory_mb, cpu_s)
    data = sys.stdin.buffer.read()
    try:
        size, picture, thumbnail = reencoded(data, megapixels * 1_000_000, edge_px, thumbnail_px)
    except RefusedError as error:
        line: dict[str, Any] = {"refused": error.args}
        picture = thumbnail = b""
    except MemoryError:
        line, picture, thumbnail = {"refused": _TOO_LARGE}, b"", b""
    except Exception:  # noqa: BLE001 - decoders raise whatever they like
        line, picture, thumbnail = {"refused": _BROKEN}, b"", b""
    else:
        line = {"width": size[0], "height": size[1], "lengths": [len(picture), len(thumbnail)]}
    sys.stdout.buffer.write(json.dumps(line).encode() + b"\n" + picture + thumbnail)
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    main(sys.argv[1:])
