"""What commands share: each argument and option in the same words everywhere."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

import typer

from baulk.models.section import Face

TO: Final = "What it is to come to: a moisture content in percent, or a kind of store."

TagArgument = Annotated[str, typer.Argument(help="The code fixed to the timber.", metavar="TAG")]
TagsArgument = Annotated[
    list[str] | None, typer.Argument(help="Tags; without any, every timber.", metavar="TAG")
]
FileArgument = Annotated[Path, typer.Argument(help="The CSV file.", metavar="FILE")]

# what a timber or a piece is like
_SPECIES: Final = typer.Option("--species", help="Name in the species table, such as 'white oak'.")
_SIZE: Final = typer.Option("--size", help="Width x depth: '8 x 7 3/4 in', '203x197 mm'.")
_FINISHED: Final = typer.Option("--finished", help="Finished size wanted: '6 x 6 in', '152x152 mm'.")
_LENGTH: Final = typer.Option("--length", help="Length along the grain: '12 ft', '3.6 m'.")
_USE: Final = typer.Option("--use", help="Use class: where it will live, such as backbone-above-water.")
_HELD_MC: Final = typer.Option("--mc", help="Moisture content in percent; left out: green.")
_PITH: Final = typer.Option("--pith", help="Pith from the centre, right and up: '1 x -4 in'.")
_CENTRE: Final = typer.Option(
    "--centre", help="Centre of the finished piece from the timber's, right and up: '0 x 1 in'."
)
Species = Annotated[str, _SPECIES]
MaybeSpecies = Annotated[str | None, _SPECIES]
Size = Annotated[str, _SIZE]
MaybeSize = Annotated[str | None, _SIZE]
FinishedSize = Annotated[str, _FINISHED]
MaybeFinished = Annotated[str | None, _FINISHED]
Length = Annotated[str, _LENGTH]
MaybeLength = Annotated[str | None, _LENGTH]
Use = Annotated[str, _USE]
MaybeUse = Annotated[str | None, _USE]
Pith = Annotated[str, _PITH]
MaybePith = Annotated[str | None, _PITH]
Centre = Annotated[str, _CENTRE]
MaybeCentre = Annotated[str | None, _CENTRE]
MaybeMc = Annotated[str | None, _HELD_MC]
MaybeMcNumber = Annotated[float | None, _HELD_MC]
Heartwood = Annotated[
    str | None,
    typer.Option("--heartwood", help="Radius of the heartwood from the pith: '3 in'; none: all sapwood."),
]
Sapwood = Annotated[
    str | None,
    typer.Option("--sapwood", help="Its width at the corner farthest from the pith: '1 1/2 in', none."),
]
Corners = Annotated[
    list[str] | None,
    typer.Option("--corner", help="Wane at a corner, across x down: 'ab 1 x 3/4 in'; may be repeated."),
]
GREEN_MC: Final = typer.Option(
    "--green-mc", help="MC of an oven-dried section cut on arrival, percent of dry mass."
)
_ENDS: Final = "--ends-sealed/--no-ends-sealed", "Whether both ends were coated on arrival."
EndsSealed = Annotated[bool, typer.Option(_ENDS[0], help=_ENDS[1])]
MaybeEndsSealed = Annotated[bool | None, typer.Option(_ENDS[0], help=_ENDS[1])]

# where: in a timber, in the yard
Width = Annotated[str | None, typer.Option("--width", help="How wide: '7 13/16 in', '198.5 mm'.")]
Depth = Annotated[str | None, typer.Option("--depth", help="How deep: '1 3/4 in', '45 mm'.")]
AFace = Annotated[Face | None, typer.Option("--face", help="Which face; a is up, then b, c, d clockwise.")]
FromEnd = Annotated[str | None, typer.Option("--from-end", help="Distance from an end: '12 in', '300 mm'.")]
Bow = Annotated[str | None, typer.Option("--bow", help="Bow of the timber over its length, along its depth.")]
Crook = Annotated[str | None, typer.Option("--crook", help="Crook over its length, along its width.")]
_PLACE: Final = typer.Option("--place", help="The place: whose air.", metavar="PLACE")
Place = Annotated[str, _PLACE]
MaybePlace = Annotated[str | None, _PLACE]
Places = Annotated[list[str] | None, _PLACE]
Air = Annotated[bool, typer.Option("--air", help="The air of a place, not a timber.")]
TEMP: Final = typer.Option("--temp", help="Air temperature with its unit: 21.1C or 70F.")
VOLUME: Final = typer.Option("--volume", help="Air in it: '180 m3', '6400 ft3'.")
AIR_CHANGES: Final = typer.Option("--air-changes", help="Air changes an hour as known, such as 0.5.")

# how sure, how much of it
Confidence = Annotated[
    float | None,
    typer.Option("--confidence", help="How sure sizes are to be, 0.5 to 0.999; else as the shop's verdicts."),
]
SawKerf = Annotated[str | None, typer.Option("--kerf", help="Width of a saw cut.")]
Trim = Annotated[str | None, typer.Option("--trim", help="Cut off each end, for its checks.")]
Before = Annotated[str | None, typer.Option("--before", help="Weight just before: '212 lb', '96 kg'.")]
After = Annotated[str | None, typer.Option("--after", help="Weight just after.")]
Again = Annotated[bool, typer.Option("--again", help="Anew, though it is done already.")]

# which messages, which part of the record
TOPIC: Final = typer.Option("--topic", help="A topic of MQTT: 'sensors/+/climate'.")
Since = Annotated[
    str | None,
    typer.Option("--since", metavar="WHEN", help="Only from then on: 2026-11-25 or '2026-11-25 14:30'."),
]
Limit = Annotated[int, typer.Option("--limit", help="How many, newest first.", min=1)]
Preview = Annotated[
    bool, typer.Option("--preview", help="Only say what would come of it; nothing is changed.")
]

Undo = Annotated[bool, typer.Option("--undo", help="Take the last time back; again for the one before.")]

# what comes last in every help, in this order
Print = Annotated[Path | None, typer.Option("--print", help="A sheet to print, .pdf.", metavar="FILE")]
_OUT: Final = typer.Option("-o", "--out", help="The file to write.", metavar="FILE")
Out = Annotated[Path, _OUT]
MaybeOut = Annotated[Path | None, _OUT]
Rejected = Annotated[
    Path | None,
    typer.Option("--rejected", metavar="FILE", help="Write refused rows here, each with its reason."),
]
_UNITS: Final = typer.Option("--units", help="inch or metric.")
MaybeUnits = Annotated[str | None, _UNITS]
_AT: Final = typer.Option("--at", help="When: 'now', 2026-11-25 or '2026-11-25 14:30'.", metavar="WHEN")
At = Annotated[str, _AT]
MaybeAt = Annotated[str | None, _AT]
By = Annotated[str, typer.Option("--by", envvar="USER", help="Who did it.", metavar="NAME")]
_NOTE: Final = typer.Option("--note", help="Free words.", metavar="TEXT")
Note = Annotated[str, _NOTE]
MaybeNote = Annotated[str | None, _NOTE]
Yes = Annotated[
    bool, typer.Option("--yes", help="Do it, however unlikely; else it is shown or asked for first.")
]
