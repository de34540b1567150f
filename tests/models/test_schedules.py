"""The table of kiln schedules: the numbers that it took over from the code, and what it refuses."""

from __future__ import annotations

import pytest

from baulk.models import checking, provenance, psychrometrics, schedules, sorption, species
from baulk.models.errors import OutOfRange

HEAD = ",".join(schedules.COLUMNS) + "\n"
FIR = (
    "T7-A4,Douglas-fir,2,40,110,10,,12.1,our own,page 3,read\n"
    "T7-A4,Douglas-fir,2,30,120,15,60,9.9,our own,page 3,read\n"
)

# (wood, boards in inches): (driest air above so much moisture, its EMC, depression in degF), as they stood in
# the code before they were rows
WERE = {
    ("white oak", 1): ((40, 17.7, 4), (30, 15.2, 6)),
    ("white oak", 2): ((40, 19.3, 3), (35, 17.7, 4), (30, 15.2, 6)),
    ("northern red oak", 1): ((50, 17.7, 4), (40, 16.4, 5), (35, 13.5, 8)),
    ("northern red oak", 2): ((50, 19.3, 3), (40, 17.7, 4), (35, 15.2, 6), (30, 12.1, 10)),
}


def test_every_number_is_the_one_that_stood_in_the_code():
    told = {
        (start.species, start.thickness_mm / 25.4): tuple(
            (stage.above_pct, stage.emc_pct) for stage in start.stages
        )
        for start in checking.STARTS
    }
    assert told == {key: tuple(step[:2] for step in steps) for key, steps in WERE.items()}
    assert [step.depression_f for step in schedules.steps()] == [
        step[2] for steps in WERE.values() for step in steps
    ]
    assert {step.dry_bulb_f for step in schedules.steps()} == {110}
    assert [start.mark for start in checking.STARTS] == ["read", "memory", "memory", "memory"]
    assert checking.STARTS[0].stages == checking.MILDEST_START


@pytest.mark.parametrize("step", schedules.steps(), ids=lambda each: f"{each.schedule}-{each.above_mc_pct:g}")
def test_every_row_names_a_wood_of_the_table_and_the_emc_of_its_air(step):
    assert species.get(step.species).name == step.species
    dry, wet = ((each - 32) / 1.8 for each in (step.dry_bulb_f, step.dry_bulb_f - step.depression_f))
    rh = psychrometrics.rh_from_wet_bulb_pct(dry, wet)  # ASHRAE; EMC by Wood Handbook eq. 4-5
    assert step.emc_pct == pytest.approx(float(sorption.emc_pct(dry, rh)), abs=0.15)
    assert step.rh_pct is None or step.rh_pct == pytest.approx(float(rh), abs=1)


def test_a_wood_with_a_published_schedule_needs_rows_and_nothing_else():
    (start,) = checking.starts_of(schedules.read(HEAD + FIR))
    assert (start.species, start.thickness_mm, start.mark) == ("Douglas-fir", 50.8, "read")
    assert [stage.above_pct for stage in start.stages] == [40, 30]
    assert start.stages[1].words == "120 °F with a 15 °F wet-bulb depression, 60 % RH"
    assert start.stages[0].source == "our own, page 3"


def test_what_nobody_looked_up_says_so_where_it_is_cited():
    remembered = schedules.read(HEAD + FIR.replace(",read\n", ",memory\n"))
    assert {step.cited for step in remembered} == {"our own, page 3, from memory"}


def test_the_doctor_lists_every_row():
    listed = [each for each in provenance.every() if each.table == schedules.FILE]
    assert [float(each.value) for each in listed] == [step.emc_pct for step in schedules.steps()]
    assert {each.mark for each in listed} == {"read", "memory"}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("species,value\n", "(own.csv line 1) must begin with schedule,species,thickness_in,"),
        (HEAD + FIR.replace(",page 3,read", ",read", 1), "(own.csv line 2) needs 11 values; a comma inside"),
        (HEAD + FIR.replace("our own", "", 1), "(own.csv line 2) leaves source empty"),
        (HEAD + FIR.replace("page 3", "", 1), "(own.csv line 2) leaves where empty"),
        (HEAD + FIR.replace("Douglas-fir", "", 1), "(own.csv line 2) leaves species empty"),
        (HEAD + FIR.replace(",read", ",certain", 1), "needs one of the marks memory, read, read (secondary)"),
        (HEAD + FIR.replace(",12.1,", ",wet,"), "gives emc_pct as 'wet'; it is a number from 2 to 30"),
        (HEAD + FIR.replace(",12.1,", ",,"), "gives emc_pct as ''; it is a number from 2 to 30"),
        (HEAD + FIR.replace(",110,", ",nan,"), "gives dry_bulb_f as 'nan'"),
        (HEAD + FIR.replace(",2,40", ",51,40"), "thickness_in as '51'; it is a number from 0.5 to 12"),
        (HEAD + FIR.replace(",2,30", ",2,40"), "(own.csv line 3) is not for drier wood than the step before"),
        (HEAD + FIR.replace(",2,30", ",1,30"), "(own.csv line 3) is for another thickness than the step"),
    ],
)
def test_a_mistake_is_named_by_its_line(text, says):
    with pytest.raises(OutOfRange) as caught:
        schedules.read(text, "own.csv")
    assert says in str(caught.value)
