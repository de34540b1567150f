"""The sentences of a buying plan, and its list for the mill as a table."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Final

from baulk.models.formatting import day
from baulk.models.plan.buying.purchase import Assignment, BuyPlan, InYard, MillLine, Shortfall
from baulk.models.plan.sawing.size_sentences import STRENGTH
from baulk.models.units import System, show_length, show_mass, show_size

MILL_COLUMNS: Final = (
    "count,wood,size,length,width_mm,depth_mm,length_mm,heart,sweep_mm,moisture,arrives_by,board_feet,volume_m3,"
    "each_kg,each_heavy_kg,for"
)


def assumptions(plan: BuyPlan, yard: Sequence[InYard], *, futures: int) -> tuple[str, ...]:
    """Say what the plan takes for granted.

    Parameters
    ----------
    plan : BuyPlan
        The plan.
    yard : sequence of InYard
        The timbers.
    futures : int
        How many possible years new timber was dried through.

    Returns
    -------
    tuple of str
        Sentences.
    """
    guessed = [timber.stock.name for timber in yard if not timber.measured]
    found = [
        (
            f"Sizes hold and dates are kept with {plan.wish.confidence:.0%} confidence, as far as the model "
            "knows."
        ),
        "Parts lie one behind the other in a timber, never side by side; as few pieces as can be stay "
        "short, then "
        + (
            "the least wood is wasted"
            if plan.wish.price_per_m3 is None
            else "the cost of waste and waiting is least"
        )
        + ". Length left over stays in the yard and costs nothing.",
        (
            "A date is that of the timber's own verdict where use and size agree, else the day its "
            "forecast mean is "
            "dry enough for the part; beyond the forecast it is dried on by its species' prior."
        ),
    ]
    if guessed:
        found.append(f"Nothing has been worked out for {_listed(guessed)}: taken as green by its species.")
    if plan.shortfalls and futures:
        found.append(
            f"New timber is dried from its arrival in {futures} possible years of the shop's air, ends "
            "sealed, by "
            "the species' prior alone (a factor of two either way); what moves during the build is not in it."
        )
    if plan.gap > 0:
        found.append(f"The search was stopped: a plan up to {plan.gap:.0%} cheaper may exist.")
    return tuple(found)


def would_change(plan: BuyPlan, others: Mapping[str, int]) -> tuple[str, ...]:
    """Compare with other wishes.

    Parameters
    ----------
    plan : BuyPlan
        The plan.
    others : mapping of str to int
        Pieces short if no day, no wood or no heart were asked for ("days", "wood", "heart").

    Returns
    -------
    tuple of str
        Sentences.
    """
    said = {
        "days": "Could the parts wait for the timber",
        "wood": "Would any wood of the yard do",
        "heart": "Did the heart not matter",
    }
    found = []
    for name, sentence in said.items():
        fewer = plan.short - others.get(name, plan.short)
        if fewer > 0:
            found.append(f"{sentence}, {fewer} fewer {'piece' if fewer == 1 else 'pieces'} would be short.")
    if plan.shortfalls and not found:
        found.append("Neither waiting, another wood nor another heart fills a gap: it is size or length.")
    if any(each.arrival and each.arrival.seasoned_pct is not None for each in plan.shortfalls):
        found.append("Drier air or a later day would let part of the order come green: see plan air.")
    found.append("A reading more on a timber narrows its date; see `baulk verdict`.")
    return tuple(found)


def cautions(plan: BuyPlan) -> tuple[str, ...]:
    """Say what can hurt.

    Parameters
    ----------
    plan : BuyPlan
        The plan.

    Returns
    -------
    tuple of str
        Sentences.
    """
    found = []
    if plan.mill:
        heavy = max(plan.mill, key=lambda each: each.each_heavy_kg)
        found.append(
            f"The heaviest piece may weigh {heavy.each_heavy_kg:.0f} kg: arrange hoist, slings and vehicle "
            "for "
            "that, and keep people from under it."
        )
    found.append(STRENGTH)
    return tuple(found)


def words(plan: BuyPlan, system: System) -> tuple[str, ...]:
    """Tell the plan in lines, the answer first.

    Parameters
    ----------
    plan : BuyPlan
        The plan.
    system : {"inch", "metric"}
        Units.

    Returns
    -------
    tuple of str
        The lines.
    """
    given = plan.wanted - plan.short
    lines = [
        f"{given} of {plan.wanted} pieces come out of the yard"
        + (f"; {plan.short} must be bought." if plan.short else ".")
    ]
    lines += [taken_words(each, system) for each in plan.assignments]
    return (*lines, *rest(plan, system))


def rest(plan: BuyPlan, system: System) -> tuple[str, ...]:
    """Tell what follows the assignments: what is left over, what is short, what to order.

    Parameters
    ----------
    plan : BuyPlan
        The plan.
    system : {"inch", "metric"}
        Units.

    Returns
    -------
    tuple of str
        The lines.
    """
    lines = []
    if plan.left_mm:
        left = ", ".join(f"{tag} {_long(round(mm, -1), system)}" for tag, mm in plan.left_mm.items())
        lines.append(f"Left over: {left}.")
    lines += [short_words(each, system) for each in plan.shortfalls]
    if plan.mill:
        lines.append(
            f"For the mill: {sum(each.board_feet for each in plan.mill):.0f} board feet, "
            f"{sum(each.volume_m3 for each in plan.mill):.2f} m3."
        )
        lines += [mill_line(each, system) for each in plan.mill]
    return tuple(lines)


def mill_line(line: MillLine, system: System) -> str:
    """Write one line of the list for the mill.

    Parameters
    ----------
    line : MillLine
        The line.
    system : {"inch", "metric"}
        Units.

    Returns
    -------
    str
        Number, size, length, wood, heart, moisture, day, volume and weight.
    """
    by = f", by {day(line.by_utc)}" if line.by_utc else ""
    sweep = f", natural sweep of {show_length(line.sweep_mm, system)}" if line.sweep_mm else ""
    return (
        f"{line.count} x {show_size(line.width_mm, line.depth_mm, system)} x {_long(line.length_mm, system)} "
        f"{line.species}, heart {line.heart}{sweep}, {line.moisture}{by}: {line.board_feet:.0f} board feet, "
        f"{line.volume_m3:.3f} m3; each {show_mass(line.each_kg, system)} green, up to "
        f"{show_mass(line.each_heavy_kg, system)}"
    )


def mill_csv(plan: BuyPlan) -> str:
    """Write the list for the mill as a table.

    Parameters
    ----------
    plan : BuyPlan
        The plan.

    Returns
    -------
    str
        One line a size, in millimetres and in the wish's own units. [mm, board foot, m3, kg]
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(MILL_COLUMNS.split(","))
    system = plan.wish.system
    for line in plan.mill:
        writer.writerow(
            [
                line.count,
                line.species,
                show_size(line.width_mm, line.depth_mm, system),
                _long(line.length_mm, system),
                round(line.width_mm, 1),
                round(line.depth_mm, 1),
                round(line.length_mm),
                line.heart,
                round(line.sweep_mm),
                line.moisture,
                line.by_utc.date().isoformat() if line.by_utc else "",
                round(line.board_feet, 1),
                round(line.volume_m3, 4),
                round(line.each_kg, 1),
                round(line.each_heavy_kg, 1),
                "; ".join(line.parts),
            ]
        )
    return out.getvalue()


def taken_words(each: Assignment, system: System) -> str:
    """Say what comes out of which timber, and when.

    Parameters
    ----------
    each : Assignment
        Pieces of one part out of one timber.
    system : {"inch", "metric"}
        Units.

    Returns
    -------
    str
        A sentence.
    """
    when = f"ready {day(each.ready_utc)}" if each.ready_utc else "ready some day after its forecast"
    late = f", {each.late_weeks:.0f} weeks late" if each.late_weeks > 0 else ""
    show_size(each.sawn_width_mm, each.sawn_depth_mm, system)
    return (
        f"{each.part}: {each.count} from {each.tag}, sawn "
        f"{show_size(each.sawn_width_mm, each.sawn_depth_mm, system)}"
        f" x {_long(each.length_mm, system)}, {when} ({each.how}){late}."
    )


def short_words(each: Shortfall, system: System) -> str:
    """Say what of a part is short, why, and what to buy by when.

    Parameters
    ----------
    each : Shortfall
        The part that is short.
    system : {"inch", "metric"}
        Units.

    Returns
    -------
    str
        A sentence or two.
    """
    told = f"{each.part.name}: {each.count} short"
    if each.reasons:
        kinds = Counter(_kind(reason) for reason in each.reasons.values())
        told += f" ({', '.join(f'{n} {kind}' for kind, n in kinds.most_common())})"
    if each.size is None:
        return f"{told}: {each.why_none}."
    size = each.size
    told += f". Buy {show_size(size.green.width_mm, size.green.depth_mm, system)}, "
    told += f"{_long(size.green_length_mm, system)} {size.species}"
    curve = show_length(each.part.sweep_mm, system)
    if each.crook:
        told += (
            f", a natural crook with a sweep of {curve} over the part: from a straight one its grain is short"
        )
    elif each.part.sweep_mm > 0:
        told += f", best with a natural sweep of {curve}"
    return f"{told}{_arrives(each)}"


def _arrives(each: Shortfall) -> str:
    found = each.arrival
    if found is None:
        return "."
    if found.seasoned_pct is not None:
        return (
            f": green it would be ready in time with {found.probability:.0%} only; it must be bought "
            "part-seasoned,"
            f" {found.seasoned_pct:.0f} % on the mean at most."
        )
    if found.latest_utc is not None:
        return f", green, here by {day(found.latest_utc)}."
    if found.ready_utc is not None:
        return f", green; bought today it is ready about {day(found.ready_utc)}."
    return ", green; it would not be ready within five years."


def _kind(reason: str) -> str:
    """Shorten a reason so that alike ones are counted together."""
    kinds = {
        "is ready only": "ready too late",
        "is not ready": "not ready in time",
        "is too short": "too short",
        "has too small": "too small",
        "has no room": "with the heart in the wrong place",
        "is too straight": "too straight",
        "is bent": "bent too much",
        "is taken": "taken by other parts",
    }
    return next((kind for start, kind in kinds.items() if reason.startswith(start)), "of another wood")


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")


def _long(mm: float, system: System) -> str:
    return f"{round(mm / 304.8, 2):g} ft" if system == "inch" else f"{round(mm / 1000, 2):g} m"
