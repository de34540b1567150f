"""What paper needs of a shop, gathered in one place for commands and pages alike."""

from __future__ import annotations

from datetime import datetime

from baulk.dashboard.printing.record import Record
from baulk.ingest import correction_notes
from baulk.ingest.evaluation import check_record, keeping_record
from baulk.ingest.evaluation.document_read import parse
from baulk.ingest.shop import Shop
from baulk.ingest.store import notes
from baulk.models.errors import BaulkError
from baulk.models.quantity import Owner
from baulk.models.units import System, TemperatureUnit


def record(
    shop: Shop,
    tag: str,
    now_utc: datetime,
    *,
    system: System | None = None,
    temperature: TemperatureUnit | None = None,
) -> Record:
    """Gather the record of one timber, in the shop's units unless others are given.

    A timber without a verdict gets its reason instead.
    """
    timber = shop.register.get(tag)
    stored = shop.store.evaluation(timber.tag)
    answer, trouble = None, None
    if stored is not None:
        try:
            answer = parse(stored[1])
        except BaulkError as err:
            trouble = str(err)
    found, foretold = check_record.look(shop, timber.tag)
    return Record(
        shop=shop.config.shop.name,
        timber=timber,
        former=shop.store.names().of(timber.tag),
        use=shop.woods.use_classes.get(timber.use_class),
        species=shop.woods.species,
        answer=answer,
        trouble=trouble,
        events=tuple(shop.register.events(timber.tag)),
        readings=tuple(shop.store.readings(Owner.TIMBER, timber.tag)),
        made_utc=now_utc,
        url=shop.config.dashboard.address,
        system=system or shop.config.shop.units,
        temperature=temperature or shop.config.temperature,
        openings=found,
        foretold=foretold,
        corrections=correction_notes.listed(shop.store, Owner.TIMBER, timber.tag),
        hand_meter=notes.hand_meter(shop.store),
        lying=keeping_record.look(shop, timber.tag, now_utc),
    )
