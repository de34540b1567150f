"""The register from the command line: `baulk timber add`, `edit`, `list`, `show`; events stand beside it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from typing import Annotated, Any

import typer

from baulk.dashboard import typed
from baulk.dashboard.commands import (
    event_entry,
    timber_events,
    timber_history,
    timber_import,
    timber_list,
    timber_measure,
    timber_sensors,
    timber_source,
    which_wood,
)
from baulk.dashboard.commands.answers import (
    HERE,
    JsonOption,
    NewPlaceOption,
    ShopOption,
    moment,
    plain,
    say,
    say_json,
    stamp,
    table,
    unless_unlikely,
)
from baulk.dashboard.commands.options import (
    GREEN_MC,
    At,
    By,
    Centre,
    EndsSealed,
    FinishedSize,
    Heartwood,
    Length,
    MaybeAt,
    MaybeCentre,
    MaybeEndsSealed,
    MaybeFinished,
    MaybeLength,
    MaybePith,
    MaybePlace,
    MaybeSize,
    MaybeSpecies,
    MaybeUse,
    Note,
    Pith,
    Place,
    Sapwood,
    Size,
    Species,
    TagArgument,
    Use,
    Yes,
)
from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.ingest.errors import StoreAway, StoreError, StoreMissing, StoreRefused
from baulk.ingest.sensors import Settled
from baulk.models import formatting, sapwood, text, units
from baulk.models import section as models_section
from baulk.models.quantity import Owner
from baulk.models.section import Finished, Section
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text
from baulk.models.timber import Timber
from baulk.models.units import System
from baulk.models.use_class import UseClass

app = typer.Typer(pretty_exceptions_enable=False)
for _name, _command in {
    **timber_events.COMMANDS,
    **timber_history.COMMANDS,
    **timber_measure.COMMANDS,
    **timber_source.COMMANDS,
    **timber_sensors.COMMANDS,
}.items():
    app.command(_name)(_command)
app.command("import")(timber_import.import_)
app.command("list")(timber_list.list_)


@app.command()
def add(  # noqa: PLR0913 - a person names them one by one
    tag: Annotated[
        str | None,
        typer.Argument(help="The code to fix to it; without one the next free one is given.", metavar="TAG"),
    ] = None,
    *,
    kind: Species,
    size: Size,
    finished: FinishedSize,
    length: Length,
    use: Use,
    pith: Pith = "0 x 0 mm",
    centre: Centre = "0 x 0 mm",
    ends_sealed: EndsSealed = False,
    green_mc: Annotated[float | None, GREEN_MC] = None,
    heartwood: Heartwood = None,
    sapwood_width: Sapwood = None,
    place: Place = "shed",
    new_place: NewPlaceOption = False,
    at: At = "now",
    by: By = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Enter a timber in the register and give it its tag; --at says when it was set on its bearers.

    --size is the green size, measured now. A number without a unit is taken in the shop's units, a length in
    feet, or in metres below 30.

    Example: baulk timber add FER-03 --species "white oak" --size "8 x 7 3/4" --finished "6 x 6"
    --length "12 ft" --use backbone-above-water
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop, durable=True) as opened:
        bare = units.default_length_unit(opened.config.shop.units)
        width_mm, depth_mm = units.size_mm(size, bare=bare)
        wanted_width_mm, wanted_depth_mm = units.size_mm(finished, bare=bare)
        pith_x_mm, pith_y_mm = units.offset_mm(pith, bare=bare, what="the pith")
        centre_x_mm, centre_y_mm = units.offset_mm(centre, bare=bare, what="the centre of the finished piece")
        section = Section(width_mm=width_mm, depth_mm=depth_mm, pith_x_mm=pith_x_mm, pith_y_mm=pith_y_mm)
        timber = Timber(
            tag=tag or opened.register.next_tag(),
            species=which_wood.wood(opened.woods.species, kind).name,
            section=section,
            length_mm=typed.along_mm(length, opened.config.shop.units),
            finished=Finished(
                width_mm=wanted_width_mm,
                depth_mm=wanted_depth_mm,
                centre_x_mm=centre_x_mm,
                centre_y_mm=centre_y_mm,
            ),
            use_class=opened.woods.use_classes.get(use).name,
            place=place,
            arrived_utc=moment(at, now_utc=now_utc, zone=opened.config.zone),
            ends_sealed=ends_sealed,
            green_mc_pct=green_mc,
            heartwood_mm=typed.heartwood_mm(section, heartwood, sapwood_width, bare),
        )
        waited = unless_unlikely(
            lambda sure: operations.add_timber(
                opened, timber, by=by, now_utc=now_utc, sure=sure, new_place=new_place
            ),
            yes=yes,
        )
        weight = sapwood.green_weight(
            timber.section,
            timber.length_mm,
            opened.woods.species.get(timber.species),
            heartwood_mm=timber.heartwood_mm,
            mc_pct=timber.green_mc_pct,
        )
        out, system = event_entry.room(opened, timber.tag), opened.config.shop.units
    if json:
        say_json({**plain(timber), "comes_out": plain(out)})
    else:
        say(text.sentence(sapwood.entered(timber, weight), system))
        say(f"{timber.tag} is in the register; fix that code to it.")
        event_entry.tell_room(out, system)
        if waited:
            say(f"Readings that waited in quarantine for this tag and are now stored: {waited}.")
        for each in text.sentences(weight.reasons()[1:], system):  # how heavy stands in the first line
            say(each)


@app.command()
def edit(  # noqa: PLR0913 - a person names them one by one
    tag: TagArgument,
    *,
    new_tag: Annotated[
        str | None,
        typer.Option("--tag", help="The code that is fixed to it from now on.", metavar="NEW"),
    ] = None,
    kind: MaybeSpecies = None,
    size: MaybeSize = None,
    finished: MaybeFinished = None,
    length: MaybeLength = None,
    use: MaybeUse = None,
    pith: MaybePith = None,
    centre: MaybeCentre = None,
    ends_sealed: MaybeEndsSealed = None,
    green_mc: Annotated[str | None, GREEN_MC] = None,
    heartwood: Heartwood = None,
    sapwood_width: Sapwood = None,
    place: MaybePlace = None,
    new_place: NewPlaceOption = False,
    at: MaybeAt = None,
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Put right what was entered wrongly; each field that changes is noted with what stood there.

    --at is when it was set on its bearers, --place where; one that was moved since lies where it was moved.
    A move is put right by taking it back: see undo. --green-mc may be none, and --heartwood none or
    unknown. What was done to the timber is not a mistake: see move, cut, plane and the others. After --tag
    the former tag still finds the timber, so that labels and sensors that bear it go on.

    Example: baulk timber edit FER-03 --species "red oak" --pith "1/2 x -1 in"
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop, durable=True) as opened:
        system = opened.config.shop.units
        bare, old = units.default_length_unit(system), opened.register.get(tag)
        changes: dict[str, Any] = {
            "section": _section(old.section, size, pith, bare),
            "finished": _finished(old.finished, finished, centre, bare),
        }
        if kind is not None:
            changes["species"] = which_wood.wood(opened.woods.species, kind).name
        if use is not None:
            changes["use_class"] = opened.woods.use_classes.get(use).name
        if length is not None:
            changes["length_mm"] = typed.along_mm(length, system)
        if at is not None:
            changes["arrived_utc"] = moment(at, now_utc=now_utc, zone=opened.config.zone)
        as_said = {"tag": new_tag, "place": place, "ends_sealed": ends_sealed}
        changes |= {name: value for name, value in as_said.items() if value is not None}
        if green_mc is not None:
            changes["green_mc_pct"] = _percent(green_mc)
        changes |= _boundary(changes["section"], heartwood, sapwood_width, bare)
        events = unless_unlikely(
            lambda sure: operations.edit_timber(
                opened,
                old.tag,
                now_utc=now_utc,
                by=by,
                note=note,
                place_was_wrong=True,
                sure=sure,
                new_place=new_place,
                **changes,
            ),
            yes=yes,
        )
        out = event_entry.room(opened, old.tag)
    if json:
        say_json(events)
        return
    for each in events:
        event_entry.answer(each, Settled(), system, zone=opened.config.zone, json=False)
    if events and events[-1].tag != old.tag:
        say(
            f"Labels and sensors that say {old.tag} still reach it; print a new label with "
            f"`baulk labels {events[-1].tag}`."
        )
    if not events:
        say(f"{old.tag} is so already; nothing was changed.")
    else:
        event_entry.tell_room(out, system)


@app.command()
def show(tag: TagArgument, *, shop: ShopOption = HERE, json: JsonOption = False) -> None:
    """Show one timber, what happened to it, and the newest reading of each of its series.

    Example: baulk timber show FER-03
    """
    from baulk.ingest.evaluation import keeping_record  # noqa: PLC0415 - slow to load, and only this needs it

    with shops.open(shop, durable=True) as opened:
        timber, system = opened.register.get(tag), opened.config.shop.units
        config, temperature = opened.config, opened.config.temperature
        events = opened.register.events(timber.tag)
        use = opened.woods.use_classes.get(timber.use_class)
        former = opened.store.names().of(timber.tag)
        away: StoreError | None = None
        try:
            latest = opened.store.latest(Owner.TIMBER, timber.tag)
            remarks = keeping_record.look(opened, timber.tag, datetime.now(UTC))
        except (StoreAway, StoreMissing, StoreRefused) as err:  # the register is here
            away, latest, remarks = err, [], ()
    if json:
        coded = [each.to_json() for each in remarks]
        say_json(
            {
                "timber": timber,
                "former_tags": former,
                "events": events,
                "latest": [_row(each) for each in latest],
                "while_it_lies": coded,
                **({} if away is None else {"away": str(away)}),
            }
        )
        return
    for line in _lines(timber, use, system, config.zone, event_text.ends(timber, events, zone=config.zone)):
        say(line)
    if former:
        say(f"formerly {', '.join(former)}")
    timber_history.tell_history(events, system, config.zone)
    if away is not None:
        say(f"newest readings: {away}")
        return
    table(
        "newest readings",
        ("series", "value", "taken", "flags"),
        [
            (
                series_text.called(str(each.series), system),
                event_text.value(each, system, temperature),
                stamp(each.taken_utc, config.zone),
                event_text.flags(each, system, zone=config.zone, with_value=True),
            )
            for each in latest
        ],
    )
    if said := text.sentences(remarks, system, zone=config.zone):
        say("\nCare while it dries:")
        for each in said:
            say(f"  - {each}")


def _section(old: Section, size: str | None, pith: str | None, bare: units.LengthUnit) -> Section:
    if size is not None:
        width_mm, depth_mm = units.size_mm(size, bare=bare)
        old = replace(old, width_mm=width_mm, depth_mm=depth_mm)
    if pith is not None:
        x_mm, y_mm = units.offset_mm(pith, bare=bare, what="the pith")
        old = replace(old, pith_x_mm=x_mm, pith_y_mm=y_mm)
    return old


def _finished(old: Finished, size: str | None, centre: str | None, bare: units.LengthUnit) -> Finished:
    if size is not None:
        width_mm, depth_mm = units.size_mm(size, bare=bare)
        old = replace(old, width_mm=width_mm, depth_mm=depth_mm)
    if centre is not None:
        x_mm, y_mm = units.offset_mm(centre, bare=bare, what="the centre of the finished piece")
        old = replace(old, centre_x_mm=x_mm, centre_y_mm=y_mm)
    return old


def _boundary(
    section: Section, heartwood: str | None, width: str | None, bare: units.LengthUnit
) -> dict[str, float | None]:
    if heartwood is not None and heartwood.strip().lower() == "unknown":
        return {"heartwood_mm": None}
    found = typed.heartwood_mm(section, heartwood, width, bare)
    return {} if found is None else {"heartwood_mm": found}


def _percent(text: str) -> float | None:
    if text.strip().lower() == "none":
        return None
    return units.percent(text, "the green moisture content")


def _lines(timber: Timber, use: UseClass, system: System, zone: tzinfo | None, ends: str) -> list[str]:
    section, piece = timber.section, timber.finished
    heart = "boxed heart" if section.boxed_heart else "free of heart"
    green = units.show_size(section.width_mm, section.depth_mm, system)
    taken = models_section.offsets_mm(timber.section, piece)
    off = ", ".join(f"{face} {units.show_length(mm, system)}" for face, mm in taken.items())
    return [
        f"{timber.tag}  {timber.species}, {heart}",
        f"green    {green}, {formatting.show_along(timber.length_mm, system)} long",
        *([] if timber.heartwood_mm is None else [f"heartwood {_heartwood(timber, system)}"]),
        f"finished {units.show_size(piece.width_mm, piece.depth_mm, system)}, off the faces {off}",
        f"for      {use.title}",
        f"lies in  {timber.place}; arrived {stamp(timber.arrived_utc, zone)}, {ends}",
        *([f"retired  {stamp(timber.retired_utc, zone)}"] if timber.retired_utc else []),
    ]


def _heartwood(timber: Timber, system: System) -> str:
    radius = units.show_length(timber.heartwood_mm or 0.0, system)
    share = float(sapwood.share(timber.section, timber.heartwood_mm or 0.0))
    return f"within {radius} of the pith; {100 * share:.0f} % of the section is sapwood"


def _row(reading: object) -> dict[str, object]:
    return {
        name: str(getattr(reading, name)) if name == "series" else getattr(reading, name)
        for name in ("series", "value", "unit", "taken_utc", "flags")
    }
