"""What is packed for the store comes back as it was, and anything else is refused without a fault."""

from __future__ import annotations

import time
import zlib

import numpy as np
import pytest

from baulk.models import packing

PLAIN = {"format": 3, "name": "Ä", "rows": [[1, 2.5, None, True]], "none": None}
ARRAYS = {
    "exact": np.random.default_rng(1).normal(20, 5, (4, 7)),
    "rough": np.linspace(0, 60, 64),
    "empty": np.zeros(0),
}


def packed(plain=PLAIN, arrays=ARRAYS):
    return packing.pack(plain, arrays, exact=frozenset({"exact"}))


def test_values_and_exact_arrays_come_back_to_the_bit_and_the_rest_to_a_few_parts_in_ten_million():
    plain, arrays = packing.unpack(packed())
    assert plain == PLAIN
    assert list(arrays) == list(ARRAYS)
    np.testing.assert_array_equal(arrays["exact"], ARRAYS["exact"])
    np.testing.assert_allclose(arrays["rough"], ARRAYS["rough"], rtol=6e-8)
    assert {each.dtype for each in arrays.values()} == {np.dtype(np.float64)}
    assert arrays["empty"].shape == (0,)


def test_the_same_values_give_the_same_bytes_later_on(monkeypatch):
    before = packed()
    later = time.time() + 3600.0  # a zip may hold the time, to two seconds
    monkeypatch.setattr(time, "time", lambda: later)
    assert packed() == before


@pytest.mark.parametrize(
    "kept",
    [b"", b"x", packed()[:-1], packed()[8:], b"PK" + packed(), zlib.compress(b"{}"), b'{"seen": 3}'],
    ids=["empty", "short", "torn", "headless", "shifted", "zlib", "json"],
)  # fmt: skip
def test_what_is_damaged_or_of_another_form_is_refused(kept):
    with pytest.raises(ValueError, match="damaged, or of another version"):
        packing.unpack(kept)


def test_no_single_flipped_bit_goes_unseen():
    kept = packed()
    for at in range(0, len(kept), 7):
        with pytest.raises(ValueError, match="damaged"):
            packing.unpack(kept[:at] + bytes([kept[at] ^ 4]) + kept[at + 1 :])
