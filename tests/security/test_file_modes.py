"""A new shop folder is its owner's alone: whoever else has an account on the machine reads nothing of it."""

from __future__ import annotations

import io
import os
from datetime import UTC, datetime

from PIL import Image

from baulk.ingest import photos
from baulk.ingest import shop as shops


def test_all_that_a_new_shop_holds_is_for_its_owner_alone(tmp_path, oak):
    before = os.umask(0o002)  # as generous as a machine may be set up
    try:
        folder = shops.init(tmp_path / "shops" / "yard", name="Ferry yard")
        with shops.open(folder, durable=True) as opened:
            opened.register.add(oak)
            picture = io.BytesIO()
            Image.new("RGB", (40, 30), "tan").save(picture, "JPEG")
            photos.keep(opened, oak.tag, picture.getvalue(), now_utc=datetime.now(UTC))
            opened.store.note("door", b"1")  # its log beside it is open meanwhile
            modes = {each: each.stat().st_mode & 0o777 for each in folder.rglob("*")}
    finally:
        os.umask(before)
    assert folder.stat().st_mode & 0o777 == 0o700
    assert {each.name for each in modes} >= {"baulk.toml", "shop.db", "shop.db-wal"}
    assert any(each.suffix == ".jpg" for each in modes)
    assert {mode for each, mode in modes.items() if each.name == "baulk.toml" or "shop.db" in each.name} == {
        0o600
    }
