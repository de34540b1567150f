"""The sentences of a cutting plan."""

from __future__ import annotations

from baulk.models.plan.sawing import size_sentences
from baulk.models.plan.sawing.cutting import Choice, CutPlan, Laid
from baulk.models.units import System, show_length, show_size


def assumptions(plan: CutPlan, *, measured: bool) -> tuple[str, ...]:
    """Say what the plan takes for granted.

    Parameters
    ----------
    plan : CutPlan
        The plan.
    measured : bool
        Whether the moisture comes from the timber's own evaluation.

    Returns
    -------
    tuple of str
        Sentences.
    """
    moisture = (
        f"Moisture over the section is that of its last evaluation, {plan.mean_pct:.0f} % on the mean"
        if measured
        else f"Moisture is taken as an even {plan.mean_pct:.0f} %"
    )
    return (
        f"{moisture}; each piece is squared once it is evenly at {plan.service_pct:.0f} %.",
        (
            "The defects run through the whole length as they were drawn at the end; a knot or a shake "
            "that shows "
            "only further along is not in the plan."
        ),
        (
            "Every cut goes right through what is left, with the blade's width between two pieces; the "
            "allowance "
            "holds for a heart where each piece lies."
        ),
        "Stress that the tree grew with is left out: a piece sawn off centre may spring.",
    )


def would_change(plan: CutPlan) -> tuple[str, ...]:
    """Compare the choices with the first one.

    Parameters
    ----------
    plan : CutPlan
        The plan.

    Returns
    -------
    tuple of str
        Sentences.
    """
    first = plan.choices[0]
    found = []
    for other in plan.choices[1:]:
        more = other.largest_mm - first.largest_mm
        found.append(
            f"{_capital(other.name)} moves {abs(more):.1f} mm {'more' if more >= 0 else 'less'} than the "
            "first choice" + ("." if other.holds else ", and would not hold the finished size.")
        )
    if not first.holds:
        found.append("Let the timber dry whole before it is sawn: then less is lost, and it may hold.")
    found.append("A drier timber moves less after sawing: the same plan later needs less allowance.")
    return tuple(found)


def cautions(plan: CutPlan) -> tuple[str, ...]:
    """Say what can hurt.

    Parameters
    ----------
    plan : CutPlan
        The plan.

    Returns
    -------
    tuple of str
        Sentences.
    """
    found = ["Heavy timber on a saw: support it at both ends of the cut, look for metal, and mind the dust."]
    if any(piece.boxed and piece.check_mm > 0.5 for each in plan.choices for piece in each.pieces):
        found.append("A boxed heart checks whatever the air; turn its check to a face that nobody sees.")
    found.append(size_sentences.STRENGTH)
    return tuple(found)


def words(plan: CutPlan, system: System) -> tuple[str, ...]:
    """Tell the plan in lines, the answer first.

    Parameters
    ----------
    plan : CutPlan
        The plan.
    system : {"inch", "metric"}
        Units.

    Returns
    -------
    tuple of str
        The lines.
    """
    stock = plan.stock
    lines = [
        (
            f"{stock.name}, {show_size(stock.section.width_mm, stock.section.depth_mm, system)}, "
            f"{plan.species}, "
            f"{plan.mean_pct:.0f} % now: {plan.choices[0].name}."
        )
    ]
    for number, choice in enumerate(plan.choices, start=1):
        lines.append(f"{number}. {_capital(choice.name)}: {_costs(choice, plan, system)}")
        lines += [f"   {_where(piece, system)}" for piece in choice.pieces]
    lines += [f"No: {each}." for each in plan.refused]
    lines.append(plan.sweep.words(system))
    return tuple(lines)


def _costs(choice: Choice, plan: CutPlan, system: System) -> str:
    used = choice.used_share(plan.stock.section)
    check = max(each.check_mm for each in choice.pieces)
    told = f"moves up to {_small(choice.largest_mm, system)} on the way to service"
    told += f", {used:.0%} of the section used"
    if check > 0.5:
        told += f", checks open {_small(check, system)}"
    return told + ("." if choice.holds else "; the finished size would be lost.")


def _where(laid: Laid, system: System) -> str:
    piece = laid.piece
    return (
        f"saw {show_size(piece.width_mm, piece.depth_mm, system)}, {show_length(laid.off_mm['a'], system)} "
        f"from face a and {show_length(laid.off_mm['d'], system)} from face d, for "
        f"{show_size(laid.finished_width_mm, laid.finished_depth_mm, system)}; lean "
        f"{_small(abs(laid.out_of_square_mm), system)}, hollow {_small(abs(laid.cup_mm), system)}, spare "
        f"{_small(laid.spare_mm, system)}"
    )


def _small(mm: float, system: System) -> str:
    return f"{round(mm / 25.4, 2) + 0.0:.2f} in" if system == "inch" else f"{round(mm, 1) + 0.0:.1f} mm"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
