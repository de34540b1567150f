"""Labels: the printed code, read back from the page as a phone sees it, opens the timber's page."""

from __future__ import annotations

import dataclasses

import pypdfium2
import pytest
import zxingcpp

from baulk.dashboard.printing import labels
from baulk.dashboard.printing.style import PaperError
from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.models.use_class import BUILT_IN as USES

URL = "http://yard.example:8501"


def seen(pdf, dpi=200):
    """Every code on every page, with the page's size in mm."""
    document = pypdfium2.PdfDocument(pdf)
    found = []
    for page in document:
        picture = page.render(scale=dpi / 72, grayscale=True).to_pil()
        found.append(sorted(code.text for code in zxingcpp.read_barcodes(picture)))
    document.close()
    return found


def words_of(pdf):
    document = pypdfium2.PdfDocument(pdf)
    text = "\n".join(page.get_textpage().get_text_range() for page in document)
    document.close()
    return text


def many(oak, count):
    return [dataclasses.replace(oak, tag=f"FER-{n:02d}") for n in range(1, count + 1)]


@pytest.mark.parametrize("name", sorted(labels.SHEETS))
def test_every_code_of_a_full_sheet_is_read_back_as_its_timbers_address(oak, name):
    sheet = labels.SHEETS[name]
    pdf = labels.labels(many(oak, sheet.count), sheet=sheet, url=URL, system="inch", uses=USES, copies=1)
    wanted = sorted(labels.address(URL, f"FER-{n:02d}") for n in range(1, sheet.count + 1))
    assert [[each.partition("&")[0] for each in page] for page in seen(pdf)] == [wanted]


@pytest.mark.parametrize("size", ["62 x 29 mm", "4 x 2 in", "4 x 6 in", "57x32 mm"])
def test_a_single_label_fills_its_own_page_and_is_read_back(oak, size):
    sheet = labels.roll(size)
    pdf = labels.labels([oak], sheet=sheet, url=URL, system="metric", uses=USES, copies=2)
    assert [[each.partition("&")[0] for each in page] for page in seen(pdf)] == [
        [labels.address(URL, "FER-01")]
    ] * 2
    document = pypdfium2.PdfDocument(pdf)
    sides_mm = [round(side / 72 * 25.4, 1) for side in document.get_page_size(0)]
    document.close()
    assert sides_mm == [round(side, 1) for side in sheet.page_mm]


def test_the_labels_of_a_sheet_stay_on_the_sheet_and_apart():
    for sheet in labels.SHEETS.values():
        corners = [sheet.corner_mm(n) for n in range(sheet.count)]
        width, height = sheet.label_mm
        assert all(x >= 0 and x + width <= sheet.page_mm[0] + 0.01 for x, _ in corners)
        assert all(y >= 0 and y + height <= sheet.page_mm[1] + 0.01 for _, y in corners)
        for n, (x, y) in enumerate(corners):
            for u, v in corners[:n]:
                assert abs(x - u) >= width - 0.01 or abs(y - v) >= height - 0.01


def test_skipped_places_stay_blank_and_the_next_sheet_begins_at_its_first(oak):
    sheet = labels.SHEETS["a4-8"]
    pdf = labels.labels(many(oak, 3), sheet=sheet, url=URL, system="inch", uses=USES, copies=2, skip=6)
    assert [len(page) for page in seen(pdf)] == [2, 4]


def test_a_label_says_in_words_what_its_code_says(oak):
    text = words_of(
        labels.labels([oak], sheet=labels.SHEETS["letter-10"], url=URL, system="inch", uses=USES, copies=1)
    )
    for word in ("FER-01", "white oak", "green 8 x 7 in", "to 6 x 6 in"):
        assert word in text


def test_a_tag_with_every_allowed_sign_is_read_back(oak):
    odd = dataclasses.replace(oak, tag="A.b_c-" + "9" * 30)
    pdf = labels.labels([odd], sheet=labels.SHEETS["a4-24"], url=URL, system="inch", uses=USES, copies=1)
    assert [each.partition("&")[0] for each in seen(pdf, 300)[0]] == [labels.address(URL, odd.tag)]


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"copies": 0}, "copies lie between 1 and 20"),
        ({"skip": 24}, "0 to 23 can be skipped"),
        ({"url": "http://" + "long-name." * 30 + "example"}, "too small for the address"),
    ],
)
def test_what_can_not_be_printed_is_refused_in_a_sentence(oak, change, sentence):
    given = {"sheet": labels.SHEETS["a4-24"], "url": URL, "system": "inch", "uses": USES} | change
    with pytest.raises(PaperError, match=sentence):
        labels.labels([oak], **given)


@pytest.mark.parametrize("name", ["foolscap", "3 x 3 mm", "9 x 9 ft", "x1"])
def test_an_unknown_sheet_is_refused_with_the_known_ones(name):
    with pytest.raises(ValueError, match=r"a4-24|30 to 300 mm|not a size|size"):
        labels.named(name)


@pytest.mark.parametrize(
    ("settings", "came_by", "said"),
    [
        (None, "http://yard.local:8501/timber?tag=FER-01", ""),  # the phone's own address
        ("https://yard.example", "https://yard.example/add", ""),
        (None, "http://127.0.0.1:8501/", "which only this machine reaches"),
        (None, "http://[::1]:8501/", "which only this machine reaches"),
        ("http://127.0.0.1:8501", "http://192.168.1.5:8501/add", "which only this machine reaches"),
        ("http://old-laptop:8501", "http://192.168.1.5:8501/add", "open at http://192.168.1.5:8501"),
        ("http://192.168.1.5:8502", "http://192.168.1.5:8501/add", "open at http://192.168.1.5:8501"),
        ("http://yard.local:8501", None, ""),  # where nobody came by a browser
    ],
)
def test_a_code_that_opens_another_address_than_these_pages_is_told(settings, came_by, said):
    url = labels.opens(settings, came_by)
    told = labels.doubt(url, came_by)
    assert (said in told) if said else told == ""
    assert not told or url in told  # which address it is


def test_the_command_writes_the_file_and_says_when_only_this_machine_can_open_the_codes(
    baulk, shop_dir, oak, tmp_path
):
    with shops.open(shop_dir) as shop:
        operations.add_timber(shop, oak)
    out = tmp_path / "labels.pdf"
    done = baulk("labels", "FER-01", "-o", str(out), "--shop", str(shop_dir))
    assert done.returncode == 0, done.stderr
    assert "2 labels for 1 timber" in done.stdout
    assert "only this machine reaches" in done.stdout
    codes = [each.partition("&")[0] for each in seen(out.read_bytes())[0]]
    assert codes == [labels.address("http://127.0.0.1:8501", "FER-01")] * 2
    gone = baulk("labels", "FER-01", "-o", str(tmp_path / "none" / "x.pdf"), "--shop", str(shop_dir))
    assert gone.returncode == 1
    assert "can't be written" in gone.stderr
