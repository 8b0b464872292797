"""QR codes against the standard, and read back by an independent decoder.

Sources
-------
ISO/IEC 18004 (2015, 2024): version 1 has 21 × 21 modules; a quiet zone of 4 modules all
round; capacity of version 1 at levels L/M/Q/H is 25/20/16/10 alphanumeric characters
(codeword counts from memory, capacities computed from them); level H restores about 30 %.
Label printers of 203 dpi put down 8 dots a millimetre (label stock: from memory).
Reading back: zxing-cpp, a decoder that shares no code with the encoder.
"""

import base64
import io

import pytest
import zxingcpp
from PIL import Image, ImageDraw, ImageFilter

from production.bench.codes import new_code
from production.documents import bag_label, traveler
from production.documents.qr import MODULE_MM, QUIET_MODULES, qr_image, qr_size_mm
from tests.production.documents.conftest import made, picture, piece, text_of  # noqa: F401

DOTS_PER_MM = 203 / 25.4


def image_of(text):
    return Image.open(io.BytesIO(base64.b64decode(qr_image(text).split(",")[1]))).convert("L")


def read(image):
    return [found.text for found in zxingcpp.read_barcodes(image, zxingcpp.BarcodeFormat.QRCode)]


def test_an_appliance_code_fits_version_1_at_the_highest_level():
    image = image_of(new_code())
    assert image.size == (21 + 2 * QUIET_MODULES,) * 2
    # Ten characters is the most that version 1 holds at level H.
    assert qr_size_mm("A" * 10) == pytest.approx((21 + 8) * MODULE_MM)
    assert qr_size_mm("A" * 11) == pytest.approx((25 + 8) * MODULE_MM)


def test_the_quiet_zone_is_four_light_modules():
    image = image_of(new_code())
    side = image.width
    box = (QUIET_MODULES, QUIET_MODULES, side - QUIET_MODULES, side - QUIET_MODULES)
    outside = image.copy()
    outside.paste(255, box)
    assert outside.getextrema() == (255, 255)
    assert image.getpixel((QUIET_MODULES, QUIET_MODULES)) == 0  # the finder begins at once


def test_a_module_is_a_whole_number_of_label_printer_dots():
    assert round(MODULE_MM * DOTS_PER_MM) == 6
    assert pytest.approx(6, abs=0.01) == MODULE_MM * DOTS_PER_MM


@pytest.mark.django_db
@pytest.mark.parametrize("paper", [bag_label, traveler])
@pytest.mark.parametrize("dpi", [203, 300])
def test_read_back_from_the_printed_page(piece, paper, dpi):  # noqa: F811
    page = picture(paper.build(piece).pdf, dpi)
    assert read(page) == [piece.appliance.code]
    # A thermal printer knows black and white only.
    assert read(page.point(lambda v: 255 if v > 127 else 0)) == [piece.appliance.code]


@pytest.mark.django_db
def test_read_back_askew_blurred_and_smeared(piece):  # noqa: F811
    page = picture(bag_label.build(piece).pdf, 203)
    assert read(page.rotate(17, expand=True, fillcolor=255)) == [piece.appliance.code]
    assert read(page.filter(ImageFilter.GaussianBlur(2))) == [piece.appliance.code]
    symbol = image_of(piece.appliance.code).resize((29 * 6, 29 * 6), Image.Resampling.NEAREST)
    # A thumb's smear over a tenth of the symbol, away from the three finder patterns.
    ImageDraw.Draw(symbol).rectangle((118, 118, 155, 155), fill=128)
    assert read(symbol) == [piece.appliance.code]


@pytest.mark.django_db
def test_the_code_carries_the_appliance_and_no_name(piece):  # noqa: F811
    (found,) = read(picture(traveler.build(piece).pdf, 203))
    assert found == piece.appliance.code
    patient = piece.appliance.order.patient
    for word in (patient.family_name, patient.given_name, patient.chart_number):
        assert word.casefold() not in found.casefold()


def test_nothing_to_encode_is_an_error():
    with pytest.raises(ValueError, match="needs a text"):
        qr_image("")
