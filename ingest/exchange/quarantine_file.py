"""What lies in quarantine as a file, whole: a row a message, its payload as text and in base64."""

from __future__ import annotations

import base64
import csv
from pathlib import Path

from baulk.ingest.errors import ExchangeError
from baulk.ingest.shop import Shop
from baulk.ingest.store.rejected import EVERYTHING, Which
from baulk.models.formatting import printable, spreadsheet_cell

_HEADINGS = (
    "number", "arrived_utc", "topic", "cause", "reason", "waits_for", "size_bytes", "text", "payload_base64",
)  # fmt: skip
_TEXT = 2000  # characters


def write(shop: Shop, path: Path, which: Which = EVERYTHING) -> int:
    """Write messages in quarantine as CSV, oldest first; return how many.

    Raises
    ------
    ExchangeError
        If the file can't be written.
    """
    count = after = 0
    try:
        with path.open("w", encoding="utf-8-sig", newline="") as file:
            out = csv.writer(file)
            out.writerow(_HEADINGS)
            while rows := shop.store.quarantined(500, which, after=after):
                after, count = rows[-1].number, count + len(rows)
                for row in rows:
                    body = row.raw.payload
                    cells = (
                        str(row.number), row.raw.arrived_utc.isoformat(), row.raw.topic, row.cause.value,
                        row.reason, row.waits_for or "", str(row.size),
                        printable(body[:_TEXT].decode("utf-8", "backslashreplace")),
                        base64.b64encode(body).decode(),
                    )  # fmt: skip
                    out.writerow([spreadsheet_cell(each) for each in cells])
    except OSError as err:
        raise ExchangeError(f"{path} can't be written: {err.strerror}") from err
    return count
