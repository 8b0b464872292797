"""Two identifiers of the patient on everything that moves between hands.

Sources
-------
The Joint Commission, National Patient Safety Goal NPSG.01.01.01: at least two patient
identifiers when providing care, treatment or services; a name, an assigned number, a
telephone number or another person-specific identifier will do, a room or place will not
(read in posted goal sheets).
WHO Collaborating Centre for Patient Safety Solutions, 2007, solution 2, *Patient
Identification*: at least two identifiers, neither of them the room (from memory).
Same surname or birthday within a list: common practice, no source.
Regulation (EU) 2017/745, Annex I 23.2(p): the label says that a device is custom-made;
Annex XIII section 1: what the statement contains (from memory, partly read).
"""

import pytest

from production.documents import bag_label, day_sheet, device_record, pickup_slip, traveler
from production.selectors.desk.order import load_order, order_page
from production.selectors.desk.today import today
from tests.production.documents.conftest import made, piece, text_of  # noqa: F401

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("paper", [traveler, bag_label, device_record])
def test_name_and_date_of_birth_on_what_goes_with_the_appliance(piece, paper):  # noqa: F811
    text = text_of(paper.build(piece).pdf)
    assert "Brandt, Ida" in text
    assert "17 Apr 2009" in text
    assert piece.appliance.code in text


def test_the_traveler_has_the_assigned_number_too(piece):  # noqa: F811
    assert "T-1001" in text_of(traveler.build(piece).pdf)


def test_the_label_says_custom_made(piece):  # noqa: F811
    assert "Custom-made device" in text_of(bag_label.build(piece).pdf)


def test_the_slip_asks_for_both_at_pickup(piece):  # noqa: F811
    page = order_page(load_order(piece.appliance.order.uuid), piece.office)
    text = text_of(pickup_slip.build(page, piece.office).pdf)
    assert "name and date of birth" in text


def test_lists_of_the_day_show_both(made, office):  # noqa: F811
    text = text_of(
        day_sheet.build(today(made.order.promises.get().due_at.date(), office), office).pdf
    )
    assert "Brandt, Ida" in text
    assert "17 Apr 2009" in text


@pytest.mark.parametrize(
    "words",
    [
        "Lindenhof Orthodontics",  # 1 manufacturer
        "4 Mill Lane",  # 1 address and sites
        "Authorised representative",  # 2
        "Retainer, lower arch",  # 3 data that identify the device
        "exclusive use by the patient named here",  # 4
        "Brandt, Ida",  # 4 the patient
        "Prescribed by",  # 5
        "Health institution",  # 5
        "Straight cut beyond the gum line",  # 6 characteristics prescribed
        "exclusive use of the patient named",  # 7 the office's statement
        "Requirements not fully met, with grounds",  # 7
        "Medicinal substance",  # 8
        "at least ten years",  # section 4
    ],
)
def test_the_record_holds_what_annex_xiii_lists(piece, words):  # noqa: F811
    assert words in text_of(device_record.build(piece).pdf)
