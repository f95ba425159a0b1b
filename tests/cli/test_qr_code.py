"""QR codes: read back by another library, ZXing (zxing-cpp), after the same standard."""

from __future__ import annotations

import re

import numpy as np
import pytest
import zxingcpp

from service.qr_code import qr_svg, qr_terminal

LINK = f"https://tanks.example.org/shared/sheet_4be1c1f7a0d2_{'aZ9_-' * 8}abc"


def read(light):
    """The text of a code; ``light`` is True where a module is light."""
    image = np.kron(np.where(light, 255, 0).astype(np.uint8), np.ones((4, 4), np.uint8))
    (found,) = zxingcpp.read_barcodes(image)
    assert found.format == zxingcpp.BarcodeFormat.QRCode
    return found.text


def modules_of_terminal(text):
    """Light modules of half blocks: the colour of the characters is light, that behind is dark."""
    upper = {"█": (True, True), "▀": (True, False), "▄": (False, True), " ": (False, False)}
    rows = []
    for line in text.splitlines():
        assert line.startswith("\033[97;40m") and line.endswith("\033[0m")
        cells = [upper[one] for one in line[len("\033[97;40m") : -len("\033[0m")]]
        rows += [[above for above, _ in cells], [below for _, below in cells]]
    return np.array(rows)


def modules_of_svg(text):
    """Light modules of the path of dark strokes, each a row of them: ``M4 4.5h7m3 0h1m-41 1h1``."""
    width, height = map(int, re.search(r'viewBox="0 0 (\d+) (\d+)"', text).groups())
    light = np.ones((height, width), bool)
    (path,) = re.findall(r'stroke="#000"[^>]* d="([^"]+)"', text)
    x = y = 0.0
    for command, given in re.findall(r"([Mmh])([-\d. ]+)", path):
        numbers = [float(one) for one in re.findall(r"-?[\d.]+", given)]
        if command == "h":
            light[int(y), int(x) : int(x + numbers[0])] = False
            x += numbers[0]
        else:
            x, y = numbers if command == "M" else (x + numbers[0], y + numbers[1])
    return light


@pytest.mark.parametrize("text", [LINK, "http://127.0.0.1:8600/shared/x", "Straße, 25 °C"])
def test_what_a_phone_reads_is_what_was_written(text):
    assert read(modules_of_terminal(qr_terminal(text))) == text
    assert read(modules_of_svg(qr_svg(text, "QR code"))) == text


def test_the_svg_breaks_no_policy_and_says_what_it_is():
    """Our Content-Security-Policy forbids styles and scripts in a page."""
    made = qr_svg(LINK, "QR code of <the> link")
    assert "<title>QR code of &lt;the&gt; link</title>" in made
    assert "style" not in made and "<script" not in made and "http" not in made
    assert len(made) < 10_000


def test_it_has_the_margin_that_the_standard_asks_for():
    """Four light modules on each side (ISO/IEC 18004:2015, 5.3.8)."""
    light = modules_of_svg(qr_svg(LINK, ""))
    for margin in (light[:4], light[-4:], light[:, :4], light[:, -4:]):
        assert margin.all()
    assert not light[4, 4] and not light[-5, 4] and not light[4, -5]
