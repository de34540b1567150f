"""What is taken away of a timber: labels, record, dates, readings, forecast."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import table_files
from baulk.dashboard.server import calendar_file, preferences
from baulk.dashboard.server.shop_access import ask
from baulk.ingest.evaluation.document import Document, Interval
from baulk.models.quantity import Owner
from baulk.models.reading import Reading

if TYPE_CHECKING:
    import pandas as pd


def offer_timber(found: shop_facts.TimberFacts, now: datetime) -> None:
    """Offer paper and files; each is made only when somebody takes it."""
    from baulk.dashboard.printing import labels  # noqa: PLC0415 - paper: 10 MB that most visits never need

    tag = found.timber.tag
    with st.container(key="paper"):
        left, right = st.columns(2)
        with left:
            me, size, url = preferences.chosen(), shop_facts.facts(), label_address()
            sheet = st.selectbox(
                "Labels on", [*labels.SHEETS, *labels.rolls(size.system)], key="paper_sheet",
                format_func=labels.title,
            )  # fmt: skip
            st.download_button(
                "Labels", lambda: labels_pdf((tag,), sheet, url=url), f"{tag}-labels.pdf",
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
            table_files.offer_table(
                f"{tag}-readings", lambda: readings(tag), key="paper-readings", what="readings"
            )
            if found.answer is not None:
                answer = found.answer
                table_files.offer_table(
                    f"{tag}-forecast", lambda: forecast(answer), key="paper-forecast", what="forecast"
                )
                table_files.offer_table(
                    f"{tag}-movement", lambda: movement(answer), key="paper-movement",
                    what="movement if squared now",
                )  # fmt: skip
                table_files.offer_table(
                    f"{tag}-fit", lambda: table_files.table(fitted(answer)), key="paper-fit",
                    what="readings beside the model",
                )  # fmt: skip


def _record(tag: str, now: datetime, facts: shop_facts.ShopFacts) -> bytes:
    from baulk.dashboard.printing import record, record_data  # noqa: PLC0415

    made = ask(lambda s: record_data.record(s, tag, now, system=facts.system, temperature=facts.temperature))
    return record.pdf(made, paper="letter" if facts.system == "inch" else "a4")


def _dates(tag: str, now: datetime, facts: shop_facts.ShopFacts) -> bytes:
    from baulk.dashboard.printing import record_data  # noqa: PLC0415

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
    import pandas as pd  # noqa: PLC0415 - only a table that is taken away needs it

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
    import pandas as pd  # noqa: PLC0415 - only a table that is taken away needs it

    ahead = answer.forecast
    columns: dict[str, object] = {"time": [words.from_posix(t) for t in ahead.posix_s]}
    for part, rows in (("mean", ahead.mean_pct), ("core", ahead.core_pct)):
        for quantile, row in zip((5, 25, 50, 75, 95), rows, strict=True):
            columns[f"{part}_mc_q{quantile:02d}_pct"] = row
    return pd.DataFrame(columns)


def movement(answer: Document) -> pd.DataFrame:
    """Return the movement still to come as a table: middle and 5-95 % range of each measure, in mm or deg."""
    import pandas as pd  # noqa: PLC0415 - only a table that is taken away needs it

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


def label_address() -> str:
    """Return the address that codes open: that of the settings, else the one by which this person came."""
    from baulk.dashboard.printing import labels  # noqa: PLC0415

    pages = ask(lambda s: s.config.dashboard)
    return labels.opens(pages.url, st.context.url, pages.address)


def labels_pdf(tags: tuple[str, ...], sheet: str, copies: int = 2, *, url: str) -> bytes:
    """Return labels of these timbers as a PDF, in the units of whoever asks."""
    from baulk.dashboard.printing import labels  # noqa: PLC0415

    system = shop_facts.facts().system
    timbers = ask(lambda s: [s.register.get(tag) for tag in tags])
    uses = shop_facts.woods().use_classes
    return labels.labels(timbers, sheet=labels.named(sheet), url=url, system=system, copies=copies, uses=uses)
