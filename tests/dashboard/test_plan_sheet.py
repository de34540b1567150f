"""Plans on paper: the sheet says what the command says, with the drawing and the cautions."""

from __future__ import annotations

import json

import pypdfium2
import pytest

FITTED = True


def words_of(path):
    document = pypdfium2.PdfDocument(path.read_bytes())
    text = " ".join(page.get_textpage().get_text_range() for page in document)
    pictures = [page.render(scale=1).to_pil().convert("L") for page in document]
    document.close()
    return " ".join(text.split()), pictures


def squeeze(text):
    return "".join(text.split())


SIZE = ("size", "--finished", "6 x 6 in", "--length", "10ft", "--species", "white oak")


@pytest.mark.parametrize(
    ("plan", "title"),
    [
        ((*SIZE, "--use", "backbone-above-water"), "Size to order or to saw"),
        (("size", "FER-01", "--finished", "3 x 3 in", "--pieces"), "Where it lies in the timber"),
        (("buy",), "What the yard gives, what to buy"),
    ],
)
def test_the_sheet_says_what_the_plan_says(baulk, shop_folder, tmp_path, plan, title):
    parts = tmp_path / "parts.csv"
    parts.write_text(
        "part,finished,length,use,species,count\nbeam,6 x 6 in,6 ft,backbone-above-water,white oak,2\n"
        "rail,3 x 3 in,4 ft,deck,Douglas-fir,1\n"
    )
    out = tmp_path / "sheet.pdf"
    more = ("--parts", str(parts)) if plan[0] == "buy" else ()
    done = baulk("plan", *plan, *more, "--print", str(out), "--shop", str(shop_folder), "--json", seconds=120)
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    text, pictures = words_of(out)
    assert title in text
    assert squeeze(answer["words"][0]) in squeeze(text)
    for line in (*answer["assumptions"], *answer["cautions"]):
        assert squeeze(line)[:60] in squeeze(text), line
    if plan[0] == "size":
        dark = sum(pictures[0].histogram()[:90])
        assert dark > 3000  # letters alone make less: the drawing is there


def test_the_air_of_a_room_is_printed_week_by_week(baulk, shop_folder, tmp_path):
    out = tmp_path / "air.pdf"
    done = baulk(
        "plan", "air", "--place", "shed", "--hold", "65", "--print", str(out), "--shop", str(shop_folder),
        "--json", seconds=180,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    text, _ = words_of(out)
    assert "The air of shed" in text
    assert text.count("65 %") >= 10
    assert squeeze(answer["assumptions"][0])[:50] in squeeze(text)
    assert "residual-current device" in text


def test_a_sheet_that_can_not_be_written_is_a_sentence(baulk, tmp_path):
    done = baulk(
        "plan", *SIZE, "--use", "deck", "--print", str(tmp_path / "no" / "x.pdf"), "--shop", str(tmp_path),
        seconds=120,
    )  # fmt: skip
    assert done.returncode == 1
    assert "can't be written" in done.stderr
