"""Invented pictures for tests, good and hostile."""

from __future__ import annotations

import base64
import io
import struct
import zlib
from pathlib import Path
from typing import Any

from PIL import Image

from service.pictures import intake, reencode

GPS = 0x8825
ORIENTATION = 0x0112
MAKE = 0x010F
SECRET = b"Invented Camera 0815"

HEIC = base64.b85decode(
    "0000SW^{RQXk}?*00000ZE0pPXk}?*ZE0a<0005LZDn*}000000000XXk=`10000000000aA{+70000000000000"
    "0000000G-+&aV*mgE07O6l0ssL300001;s5~v00000001EX0ssI200IL50RR9100000d;kCdIB98aW&i*H000620"
    "00$fZf0cy000000RRAKc4ILB0000LX>Mj^0ssI300IC2MR;ju000004sdC7Z2$lO00031008}IaB^?}007--aAR)"
    "(004Gqc4I>U18@KU0FVFx0000U@BsY%`1k+-4+CHT0RR|40Sp2E{{wIU00RJ!0009300RIXx&lC90096hLID8-Z~"
    "y=U0FVFx0{{R603M(qfd!W8<fgf}2xu@M00096AOHXZ03l)k0RRR>0l{;?i2wiq6Ju{|a&BX6cmM$a4FCp!0000K"
    "X>)L8000000000$0000$0000eV{Bn?0000$000010000m000010000000002|NsB+000020000GaA|mH000000|*"
    "ER0000OX>e^}0000000001009Mo0s{qv0000QX>w&|000000000EV`Ot<00IC3009610HtkYVRQfh039d+uUO{v>"
    "c9WxYrp=Z{D;Z_0~K0=Py3kPTVekI000I>cxh$;08LE*DgXcg2mk{C4*&uH000R9001%p5&#1L000310RRAqB>)5"
    "f00031002Ay0001KZgypEbY)}!000620RRF30006`000000ssX700093003G5000000003100031000620003100"
    "0930003"
)
"""64 x 48 pixels, red at its left and green at its right, with a place in its Exif; written by
libheif with x265."""


def halves(width: int = 64, height: int = 48) -> Image.Image:
    """Red at its left, green at its right."""
    image = Image.new("RGB", (width, height), (20, 120, 40))
    image.paste((200, 30, 30), (0, 0, width // 2, height))
    return image


def picture(format: str = "JPEG", size: tuple[int, int] = (64, 48), **options: Any) -> bytes:
    """A picture as a camera writes one."""
    out = io.BytesIO()
    halves(*size).save(out, format, **options)
    return out.getvalue()


def exif(orientation: int = 1) -> Image.Exif:
    """Exif with a place (invented), a camera and an orientation."""
    found = Image.Exif()
    found[ORIENTATION] = orientation
    found[MAKE] = SECRET.decode()
    place = found.get_ifd(GPS)
    place[1], place[2], place[3], place[4] = "N", (1.0, 2.0, 3.0), "E", (4.0, 5.0, 6.0)
    return found


def png_of(width: int, height: int, data: bytes = b"") -> bytes:
    """A PNG that says that it is so large (ISO/IEC 15948, 11.2.2), with few bytes behind it."""
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunks = (b"IHDR", head), (b"IDAT", data or zlib.compress(b"\0" * 100)), (b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
        for name, body in chunks
    )


def animated(format: str) -> bytes:
    """Two frames."""
    out = io.BytesIO()
    first, second = halves(), halves().rotate(180)
    first.save(out, format, save_all=True, append_images=[second], duration=100)
    return out.getvalue()


def polyglot() -> bytes:
    """A JPEG that is a web page and an archive as well: in a comment, and behind its end."""
    page = b"<html><script>alert(1)</script></html>"
    return picture(comment=page) + page + b"PK\x03\x04" + b"\0" * 30


HOSTILE = {
    "SVG": b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>',
    "HTML": b"<!doctype html><script>alert(1)</script>",
    "archive": b"PK\x03\x04" + b"\0" * 200,
    "nothing": b"",
    "GIF": None,
    "TIFF": None,
    "animated PNG": animated("PNG"),
    "animated WebP": animated("WEBP"),
    "cut off": picture(size=(400, 300))[:2000],
    "cut off in its head": picture()[:40],
    "a PNG without its pixels": png_of(640, 480),
    "a bomb of pixels": png_of(60_000, 60_000),
    "a bomb of bytes": png_of(7000, 7000, zlib.compress(b"\0" * 1000)),
    "one line": png_of(100_000, 8),
    "a JPEG in name alone": b"\xff\xd8\xff\xe0" + b"JFIF" * 40,
    "HEIC in name alone": HEIC[:60] + b"\0" * 300,
    "EPS": b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 64 48\n%%EndComments\nshowpage\n",
}
HOSTILE["GIF"] = picture("GIF")
HOSTILE["TIFF"] = picture("TIFF")


FORM = "multipart/form-data; boundary=part"


def form_of(*pictures: bytes, **texts: str) -> bytes:
    """A form with pictures (RFC 7578), for ``FORM``."""
    parts = [
        f'Content-Disposition: form-data; name="{name}"\r\n\r\n{text}'.encode()
        for name, text in texts.items()
    ]
    head = b'Content-Disposition: form-data; name="picture"; filename="picture.jpg"\r\n\r\n'
    parts += [head + one for one in pictures]
    return b"".join(b"--part\r\n" + one + b"\r\n" for one in parts) + b"--part--\r\n"


class Sent:
    """An upload that was not sent over HTTP."""

    def __init__(self, data: bytes, field: str = "/picture/0") -> None:
        self.data, self.field = data, field

    def read(self, most_bytes: int) -> bytes:
        """Its bytes."""
        return self.data[:most_bytes]


def opened(data: bytes) -> Image.Image:
    """A picture of ours, read back."""
    return Image.open(io.BytesIO(data))


def names(folder: Path) -> list[str]:
    """What is in a folder."""
    return sorted(one.name for one in folder.iterdir()) if folder.exists() else []


def read_here(monkeypatch: Any) -> None:
    """Read pictures in this process: a process for each takes a third of a second."""

    def decoded(upload: intake.Upload, data: bytes, megapixels: int) -> intake.Reencoded:
        sizes = megapixels * 1_000_000, intake.EDGE_PX, intake.THUMBNAIL_PX
        try:
            size, whole, small = reencode.reencoded(data, *sizes)
        except reencode.RefusedError as error:
            raise intake._refused(upload, *error.args) from None
        return intake.Reencoded(*size, whole, small)

    monkeypatch.setattr(intake, "_decoded", decoded)
