"""The outside checks with the largest deviation of each: ``python tests/reference/test_deviations.py``."""

from __future__ import annotations

import csv
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from geotech_references.wood_handbook import mechanical_properties, moisture_relations

from baulk.models import gravimetric, psychrometrics, sample_board, shrinkage, sorption, species, strength
from baulk.models.meter import pin_depth, resistance


def rows(name):
    with (Path(__file__).parent / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def column(table, name):
    return np.array([float(row[name]) for row in table])


@dataclass(frozen=True)
class Check:
    """One outside check: what we give, what is printed, and how far apart they may be."""

    name: str
    source: str
    ours: object
    printed: object
    within: float
    unit: str
    relative: bool = False

    @property
    def apart(self):
        ours, printed = (np.atleast_1d(np.asarray(each, dtype=float)) for each in (self.ours, self.printed))
        assert ours.shape == printed.shape
        return np.abs(ours / printed - 1) * 100 if self.relative else np.abs(ours - printed)

    @property
    def cells(self):
        return self.apart.size


def emc_checks():
    table = rows("emc-table-4-2.csv")
    temp, rh = column(table, "temp_c_exact"), column(table, "rh_pct")
    ours = sorption.emc_pct(temp, rh)
    yield Check(
        "EMC table", "Wood Handbook FPL-GTR-190 Table 4-2", ours, column(table, "emc_pct_printed"), 0.07, "%"
    )
    for equation, formula in (
        ("4-5", moisture_relations.equilibrium_moisture_content),
        ("4-6", moisture_relations.equilibrium_moisture_content_glass),
    ):
        theirs = [formula(t, h / 100)["emc_pct"] for t, h in zip(temp, rh, strict=True)]
        mine = sorption.emc_pct(temp, rh, equation=equation)
        yield Check(f"EMC eq. {equation}", "geotech-references 1.4.1", mine, theirs, 1e-9, "%")
    woods = rows("sorption-species.csv")
    at = column(woods, "temp_c"), column(woods, "rh_pct")
    printed = column(woods, "emc_pct_printed")
    yield Check("EMC of four woods", "europeanwood.org", sorption.emc_pct(*at), printed, 2.0, "%")


def air_checks():
    ashrae = rows("psychrometrics-ashrae.csv")
    source = "ASHRAE Fundamentals 2017 ch. 1"
    for name, formula, within in (
        ("sat_vapour_pressure_pa", psychrometrics.vapour_pressure_pa, 0.03),
        ("sat_humidity_ratio_101325", psychrometrics.humidity_ratio, 0.7),
    ):
        part = [row for row in ashrae if row["quantity"] == name]
        printed, at_c = column(part, "value"), np.array(column(part, "argument"))
        # the tables are over ice below 0 degC, humidity is over water
        rh = np.minimum(
            100 * psychrometrics.ice_saturation_pa(at_c) / psychrometrics.saturation_pa(at_c), 100
        )
        yield Check(name, source, formula(at_c, rh), printed, within, "%", relative=True)
    table = rows("psychrometrics-wetbulb.csv")
    rh = psychrometrics.rh_from_wet_bulb_pct(column(table, "dry_c"), column(table, "wet_c"))
    yield Check("RH from the wet bulb", "CoolProp 8.0.0", rh, column(table, "rh_pct_coolprop"), 0.2, "%RH")
    floor = psychrometrics.rh_from_wet_bulb_pct((110 - 32) / 1.8, [(106 - 32) / 1.8, (104 - 32) / 1.8])
    yield Check(
        "RH of the mildest start", "ASHRAE, as in tests/models/test_room.py", floor, [87.4, 81.5], 0.1, "%RH"
    )


def size_checks():
    two = rows("dimension-coefficients.csv")
    shrunk = {row["species"].split(" (")[0]: row for row in reversed(rows("shrinkage.csv"))}
    apart = ("commercial", "Teak", "Mahogany", "Ash, green", "Elm, cedar")
    ours, printed = [], []
    for row in two:
        name = row["species_or_row"]
        own = shrunk.get(name) or shrunk.get(name.split(" (")[0])
        if own and not any(word in name for word in apart):
            for way, coefficient in (("radial_pct", "CR_per_pct"), ("tangential_pct", "CT_per_pct")):
                if row[coefficient]:
                    onset = float(row["shrink_onset_mc_pct"])
                    ours.append(float(shrinkage.coefficient_per_pct(float(own[way]), onset)))
                    printed.append(float(row[coefficient]))
    yield Check("Table 13-5 from Table 4-3", "Wood Handbook FPL-GTR-190", ours, printed, 6.2e-6, "1/%")
    change = shrinkage.change_by_coefficient_mm(5, 6, 9, 0.00129)
    yield Check(
        "eq. 13-2, mesquite 5 in", "flooring note citing Wood Handbook 1987", change, 0.019, 5e-4, "in"
    )
    density = [
        float(gravimetric.density_kg_m3(basic, mc, volumetric_pct=total))
        for basic, mc, total in ((550, 12, None), (600, 12, 0), (400, 100, 0), (400, 12, 0))
    ]
    source = "Wood Handbook FPL-GTR-282 p. 4-12, Table 4-6a; Univ. Missouri"
    yield Check("density", source, density, [678, 672, 800, 448], 0.5, "%", relative=True)
    most = [moisture_relations.max_moisture_content(g)["mc_max_pct"] for g in (0.3, 0.6, 0.9)]
    yield Check(
        "wettest MC, eq. 4-3",
        "geotech-references 1.4.1",
        gravimetric.max_mc_pct([300, 600, 900]),
        most,
        1e-9,
        "%",
    )
    board = sample_board.mc_pct(8.0, sample_board.oven_dry_kg(10.0, (60.0, 64.0)))
    yield Check("sample board", "Wengert, Drying oak lumber, step 3B", board, 29.6, 0.05, "%")
    yield Check("10 oz wet, 6.9 dry", "a forum's worked example", gravimetric.mc_pct(10, 6.9), 45, 0.5, "%")


def strength_checks():
    ash = strength.at_mc(103000, 66000, 8, 24)
    yield Check(
        "eq. 5-3, white ash at 8 %",
        "Wood Handbook FPL-GTR-282 p. 5-34",
        ash,
        119500,
        0.05,
        "%",
        relative=True,
    )
    theirs = mechanical_properties.TABLE_5_3_PROPERTIES
    names = {"white oak": "oak, white", "white ash": "ash, white", "Douglas-fir": "douglas-fir, coast"}
    ours, printed = [], []
    for name, other in names.items():
        for quantity, key in (("moe", "moe_mpa"), ("compression_across", "comp_perp_kpa")):
            pair = getattr(species.get(name).strength, quantity)
            by = 1 if quantity == "moe" else 1000
            ours += [pair.green, pair.dry]
            printed += [theirs[other][state][key] / by for state in ("green", "12")]
    yield Check(
        "strength, two transcriptions", "Tables 5-3a and 5-3b", ours, printed, 2.0, "%", relative=True
    )


def reading_checks():
    pine = species.get("Scots pine")
    cold = resistance.from_meter(16, 0, pine).mc_pct
    yield Check("16 % read in wood at 0 degC", "SP Tra PX21326: 18.0 to 19.0", cold, 18.5, 0.5, "%")
    roots = np.pi / 2 * np.arange(1, 400, 2)
    decay = np.exp(-(roots**2) * 0.5)
    at = pin_depth.mean_depth_share(4)
    slab = 2 * np.sum(np.sin(2 * roots * at) * decay / roots) * 2 * np.sum(np.sin(roots) * decay / roots)
    mean = (2 * np.sum(decay / roots**2)) ** 2
    yield Check(
        "mean at 0.133 of the side", "series of Crank 1975 and Newman 1931", slab / mean, 1.0, 0.01, "-"
    )


CHECKS = [
    check
    for group in (emc_checks, air_checks, size_checks, strength_checks, reading_checks)
    for check in group()
]


@pytest.mark.parametrize("check", CHECKS, ids=lambda each: each.name)
def test_the_largest_deviation_of_each_check_lies_within_what_it_may(check):
    assert np.max(check.apart) <= check.within


def test_the_table_is_whole():
    assert CHECKS[0].cells == 342
    assert sum(check.cells for check in CHECKS if check.name.startswith("Table 13-5")) == 93
    assert len({check.name for check in CHECKS}) == len(CHECKS) >= 15


def main():
    """Print the table."""
    print(f"{'check':32} {'cells':>5} {'largest':>9} {'allowed':>9} {'unit':5} source")
    for check in CHECKS:
        print(
            f"{check.name:32} {check.cells:5d} {np.max(check.apart):9.2g} {check.within:9.2g} {check.unit:5}"
            f" {check.source}"
        )


if __name__ == "__main__":
    sys.exit(main())
