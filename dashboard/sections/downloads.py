"""Anything on screen as a file: a table as CSV for a spreadsheet or as Parquet for a program."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable
from dataclasses import fields
from datetime import datetime
from enum import Enum
from typing import Any

import pandas as pd
import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.printing import labels, plan_sheet, record, record_data
from baulk.dashboard.printing.plan_sheet import Plan
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import layout
from baulk.dashboard.server import calendar_file, preferences
from baulk.dashboard.server.shop_access import ask
from baulk.ingest.evaluation.document import Document, Interval
from baulk.models import text
from baulk.models.formatting import spreadsheet_cell
from baulk.models.quantity import Owner
from baulk.models.reading import Reading
from baulk.models.reason import Reason
from baulk.models.units import System


def csv(frame: pd.DataFrame) -> bytes:
    """Return a table as CSV: commas, points, times in ISO 8601 with their zone."""
    plain = frame.copy()
    for name in plain.columns:
        if isinstance(plain[name].dtype, pd.DatetimeTZDtype):
            plain[name] = plain[name].map(lambda at: "" if pd.isna(at) else at.isoformat())
        else:
            plain[name] = plain[name].map(_cell)
    return bytes(plain.to_csv(index=False).encode())


def _cell(value: Any) -> Any:  # noqa: ANN401 - whatever a table holds
    return spreadsheet_cell(value) if isinstance(value, str) else value


def parquet(frame: pd.DataFrame) -> bytes:
    """Return a table as Parquet."""
    out = io.BytesIO()
    frame.to_parquet(out, index=False)
    return out.getvalue()


def rows(items: Iterable[Any], system: System = "metric") -> pd.DataFrame:
    """Return dataclasses as a table, one a row; what is no plain value is written as text.

    Parameters
    ----------
    items : iterable of dataclass
        Their fields carry their units in their names.
    system : {"inch", "metric"}
        Units of the sentences of reasons.
    """
    return pd.DataFrame(
        [{each.name: _plain(getattr(item, each.name), system) for each in fields(item)} for item in items]
    )


def _plain(value: Any, system: System) -> Any:  # noqa: ANN401 - anything in, what a table holds out
    if isinstance(value, Reason):
        return text.sentence(value, system, zone=words.zone())
    if isinstance(value, Enum):
        return value.value
    return value if value is None or isinstance(value, str | int | float | datetime) else str(value)


def offer_table(name: str, table: Callable[[], pd.DataFrame], *, key: str, what: str = "") -> None:
    """Offer a table as a file; it is made only when somebody takes it.

    Parameters
    ----------
    name : str
        Name of the file, without its ending.
    table : callable
        Makes the table; each column's name carries its unit.
    key : str
        Tells the buttons of one page apart.
    what : str
        What is in it, where several stand together.
    """
    with st.popover(f"Export {what}".strip(), key=f"{key}-away"):
        st.download_button(
            "CSV, for a spreadsheet", lambda: csv(table()), f"{name}.csv", "text/csv", key=f"{key}-csv"
        )
        st.download_button(
            "Parquet, for a program",
            lambda: parquet(table()),
            f"{name}.parquet",
            "application/vnd.apache.parquet",
            key=f"{key}-parquet",
        )


def offer_timber(found: shop_facts.TimberFacts, now: datetime) -> None:
    """Offer paper and files; each is made only when somebody takes it."""
    tag = found.timber.tag
    with st.container(key="paper"):
        left, right = st.columns(2)
        with left:
            me, size, url = preferences.chosen(), shop_facts.facts(), label_address()
            sheet = st.selectbox("Labels on", [*labels.SHEETS, *labels.rolls(size.system)], key="paper_sheet")
            st.download_button(
                "Labels", lambda: labels_pdf((tag,), labels.named(sheet), url=url), f"{tag}-labels.pdf",
                "application/pdf", key="paper_labels",
            )  # fmt: skip
            if doubt := labels.doubt(url, st.context.url):
                st.caption(words.md(doubt))
            st.download_button(
                "Drying record", lambda: _record(tag, now, size), f"{tag}.pdf", "application/pdf",
                key="paper_record", help=f"For {me.name}." if me.name else None,
            )  # fmt: skip
            st.download_button(
                "Dates for a calendar",
                lambda: _dates(tag, now, size),
                f"{tag}.ics",
                "text/calendar",
                key="paper_dates",
            )
        with right:
            offer_table(f"{tag}-readings", lambda: readings(tag), key="paper-readings", what="readings")
            if found.answer is not None:
                answer = found.answer
                offer_table(
                    f"{tag}-forecast", lambda: forecast(answer), key="paper-forecast", what="forecast"
                )
                offer_table(
                    f"{tag}-movement", lambda: movement(answer), key="paper-movement",
                    what="movement if squared now",
                )  # fmt: skip
                offer_table(
                    f"{tag}-fit", lambda: pd.DataFrame(fitted(answer)), key="paper-fit",
                    what="readings beside the model",
                )  # fmt: skip


def _record(tag: str, now: datetime, facts: shop_facts.ShopFacts) -> bytes:
    made = ask(lambda s: record_data.record(s, tag, now, system=facts.system, temperature=facts.temperature))
    return record.pdf(made, paper="letter" if facts.system == "inch" else "a4")


def _dates(tag: str, now: datetime, facts: shop_facts.ShopFacts) -> bytes:
    made, shop, slug = ask(
        lambda s: (
            record_data.record(s, tag, now, system=facts.system, temperature=facts.temperature),
            s.config.shop.name,
            s.config.slug,
        )
    )
    return calendar_file.calendar([made], shop=shop, slug=slug)


def readings(tag: str) -> pd.DataFrame:
    """Return every reading of a timber as a table."""
    found: list[Reading] = ask(lambda s: s.store.readings(Owner.TIMBER, tag))
    return pd.DataFrame(
        [
            {
                "series": str(each.series),
                "taken": each.taken_utc,
                "arrived": each.arrived_utc,
                "value": each.value,
                "unit": each.unit,
                "source": each.source,
                "flags": " ".join(each.flags),
            }
            for each in found
        ],
        columns=["series", "taken", "arrived", "value", "unit", "source", "flags"],
    )


def forecast(answer: Document) -> pd.DataFrame:
    """Return the forecast as a table: one row a moment, one column a part and quantile, in % MC."""
    ahead = answer.forecast
    columns: dict[str, object] = {"time": [words.from_posix(t) for t in ahead.posix_s]}
    for part, rows in (("mean", ahead.mean_pct), ("core", ahead.core_pct)):
        for quantile, row in zip((5, 25, 50, 75, 95), rows, strict=True):
            columns[f"{part}_mc_q{quantile:02d}_pct"] = row
    return pd.DataFrame(columns)


def movement(answer: Document) -> pd.DataFrame:
    """Return the movement still to come as a table: middle and 5-95 % range of each measure, in mm or deg."""
    move = answer.movement
    named: dict[str, Interval] = {f"face {name}": span for name, span in sorted(move.face_mm.items())}
    for name in ("middle_width_mm", "middle_depth_mm", "out_of_square_mm", "out_of_square_deg", "cup_mm"):
        words_of, _, unit = name.rpartition("_")
        named[f"{words_of.replace('_', ' ')}, {unit}"] = getattr(move, name)
    named |= {f"{name}, mm": span for name, span in words.of_check(move).items()}
    return pd.DataFrame({"measure": name, **span.model_dump()} for name, span in named.items())


def fitted(answer: Document) -> list[dict[str, object]]:
    """Return each reading beside what the calibrated model says of it, in % MC."""
    return [
        {
            "time": words.from_posix(each.posix_s),
            "series": each.series,
            "measured_mc_pct": each.measured_pct,
            "model_mc_pct": each.model_pct,
            "sd_pct": each.sd_pct,
            "at_least": each.at_least,
            "left_out": each.why_left_out("metric") or "",
        }
        for each in answer.readings
    ]


def offer_plan(plan: Plan) -> None:
    """Offer the sheet; it is made only when somebody takes it."""
    facts, now, name = shop_facts.facts(), layout.now(), type(plan).__name__.lower()
    st.download_button(
        "Print it",
        lambda: plan_sheet.pdf(
            plan, shop=facts.name, made_utc=now, system=facts.system, temperature=facts.temperature
        ),
        f"{name}.pdf",
        "application/pdf",
        key=f"print-{name}",
    )


def label_address() -> str:
    """Return the address that codes open: that of the settings, else the one by which this person came."""
    pages = ask(lambda s: s.config.dashboard)
    return labels.opens(pages.url, st.context.url, pages.address)


def labels_pdf(tags: tuple[str, ...], sheet: labels.Sheet, copies: int = 2, *, url: str) -> bytes:
    """Return labels of these timbers as a PDF, in the units of whoever asks."""
    system = shop_facts.facts().system
    timbers = ask(lambda s: [s.register.get(tag) for tag in tags])
    uses = shop_facts.woods().use_classes
    return labels.labels(timbers, sheet=sheet, url=url, system=system, copies=copies, uses=uses)
