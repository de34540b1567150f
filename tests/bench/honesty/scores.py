"""Coverage, bias, error, interval score and CRPS of rows, in tables by what differs between timbers."""

from __future__ import annotations

import numpy as np
import pandas as pd

BANDS = (0, 20, 30, 45, 60, 1000)
BAND_NAMES = ("<20", "20-30", "30-45", "45-60", ">60")
BASELINES = ("last value", "line", "exponential", "climate mean", "year an inch")
# CRPS is twice the integral of the pinball loss over the levels; each of the five stored levels stands for
# those nearer to it than to another (midpoint rule), so that it is exact for no distribution and fair to all
LEVELS = np.array([0.05, 0.25, 0.5, 0.75, 0.95])
LEVEL_WEIGHTS = np.diff([0.0, 0.15, 0.375, 0.625, 0.85, 1.0])


def interval_score(true, low, high, alpha=0.1):
    """Winkler's: the width, and how far outside the truth lies, times 2 / alpha."""
    return (high - low) + 2 / alpha * (np.maximum(low - true, 0) + np.maximum(true - high, 0))


def crps(true, quantiles):
    """From the stored quantiles, (n, 5)."""
    over = true[:, None] - quantiles
    pinball = np.where(over >= 0, LEVELS * over, (LEVELS - 1) * over)
    return 2 * pinball @ LEVEL_WEIGHTS


def frame(rows):
    """A table of moisture rows, scored one by one."""
    table = pd.DataFrame(rows)
    table = table.rename(columns={"q": "quantiles"})
    q = np.array(table["quantiles"].tolist())
    true = table["truth"].to_numpy()
    table["in90"] = (true >= q[:, 0]) & (true <= q[:, 4])
    table["in50"] = (true >= q[:, 1]) & (true <= q[:, 3])
    table["bias"] = q[:, 2] - true
    table["error"] = np.abs(q[:, 2] - true)
    table["width"] = q[:, 4] - q[:, 0]
    table["winkler"] = interval_score(true, q[:, 0], q[:, 4])
    table["crps"] = crps(true, q)
    table["rank"] = (true[:, None] > q).sum(axis=1)
    table["wet"] = true > q[:, 2]
    core = pd.cut(table["core_now"], BANDS, labels=BAND_NAMES)
    table["band"] = core.astype(str)
    return table


def summary(table, by):
    """One line a group. Points of moisture."""
    groups = table.groupby(by, sort=True, observed=True)
    return groups.agg(
        n=("in90", "size"),
        in90=("in90", lambda each: 100 * each.mean()),
        in50=("in50", lambda each: 100 * each.mean()),
        wet=("wet", lambda each: 100 * each.mean()),
        bias=("bias", "mean"),
        error=("error", "median"),
        width=("width", "median"),
        winkler=("winkler", "mean"),
        crps=("crps", "mean"),
    )


def pivot(table, by, horizon=180):
    """Coverage, bias and interval score of the three parts side by side at one horizon."""
    found = summary(table[table["horizon"] == horizon], [by, "part"]).unstack("part")  # noqa: PD010 - a summary, not a pivot
    wide = {
        f"{name} {part}": found[name, part]
        for name in ("in90", "bias", "error", "winkler")
        for part in ("mean", "core", "shell")
    }
    return pd.DataFrame({"n": found["n", "mean"], **wide})


def ranks(table, horizon=180):
    """Share of truths between the told quantiles; of an honest program 5, 20, 25, 25, 20 and 5 %."""
    names = ["<5", "5-25", "25-50", "50-75", "75-95", ">95"]
    ahead = table[table["horizon"] == horizon]
    found = 100 * pd.crosstab(ahead["part"], ahead["rank"], normalize="index")
    found = found.reindex(columns=range(6), fill_value=0.0)
    return found.set_axis(names, axis=1)


def against_baselines(table, horizon=180):
    """Median errors of the program and of the plain rules on the same timbers, by part and weighing."""
    found = {}
    for (part, weighed), each in table[table["horizon"] == horizon].groupby(["part", "weighed"]):
        known = each[each["exponential"].notna()]
        row = {"n": len(known), "program": known["error"].median()}
        for name in BASELINES:
            row[name] = (known[name] - known["truth"]).abs().median()
        row["program / exponential"] = row["program"] / row["exponential"]
        found[part, "weighed" if weighed else "pins only"] = row
    return pd.DataFrame(found).T


def movement(rows):
    """Coverage of the movement told, free of heart and boxed, and what was told of squaring today."""
    table = pd.DataFrame([each for each in rows if "truth_mm" in each])
    low, middle, high = np.array(table["told_mm"].tolist()).T
    true = table["truth_mm"]
    table["in90"] = (true >= low) & (true <= high)
    table["bias"] = middle - true
    table["width"] = high - low
    table["winkler"] = interval_score(true, low, high)
    table["holds"] = np.maximum(true, table["build_mm"]) <= table["tolerance_mm"]
    for what in ("settling", "build"):
        table[f"told {what}"] = [(each or {}).get(what) for each in table.get("stages", [None] * len(table))]
        table[f"told {what}"] = table[f"told {what}"].astype(float)
    return table


def movement_summary(table, by):
    groups = table.groupby(by, observed=True)
    return groups.agg(
        n=("in90", "size"),
        in90=("in90", lambda each: 100 * each.mean()),
        bias_mm=("bias", "mean"),
        width_mm=("width", "median"),
        winkler_mm=("winkler", "mean"),
        told_square=("probability", "mean"),
        true_square=("holds", "mean"),
    )


def reliability(told, held, edges=(0, 0.1, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 1.0001)):
    """Told probabilities against what held, by bin."""
    told, held = np.asarray(told, float), np.asarray(held, bool)
    which = np.digitize(told, edges) - 1
    lines = [
        {
            "told": f"{edges[i]:.2f}-{min(edges[i + 1], 1):.2f}",
            "n": int(np.sum(which == i)),
            "mean told": told[which == i].mean(),
            "held": held[which == i].mean(),
        }
        for i in range(len(edges) - 1)
        if np.any(which == i)
    ]
    return pd.DataFrame(lines)


def chances(rows, told, held, edges=(0, 0.2, 0.5, 0.8, 0.95, 1.0001)):
    """Reliability of a chance of rows, its Brier score beside that of their mean, and how it ranks.

    `ranks` is the chance that of two rows, one of which came true, that one was told the higher chance.
    """
    said = np.array([row[told] for row in rows], float)
    came = np.array([row[held] for row in rows], float)
    table = reliability(said, came > 0, edges)
    scored = {"told": "all", "n": came.size, "mean told": said.mean(), "held": came.mean()}
    scored |= {"Brier": np.mean((said - came) ** 2), "Brier of the mean": came.var()}
    above = said[came > 0][:, None] - said[came == 0]
    scored["ranks"] = np.mean((above > 0) + 0.5 * (above == 0)) if above.size else np.nan
    return pd.concat([table, pd.DataFrame([scored])], ignore_index=True)


def squaring(rows):
    """What was told of squaring against what held: lines of a table.

    What the program tells is that the piece moves little both while it is built in and in service; `holds` is
    that. In service alone is the milder of the two.
    """
    table = pd.DataFrame(rows)
    first = table[table["step"] == "square"]
    dates = table[table["date_holds"].notna()] if "date_holds" in table else table[:0]
    lines = {
        "timbers asked": table["number"].nunique(),
        "times asked": len(table),
        "told yes": len(first),
        "first yes holds, share": first["holds"].mean(),
        "first yes holds in service alone, share": first["holds_in_service"].mean(),
        "mean probability at the first yes": first["probability"].mean(),
        "dates told": len(dates),
        "dates kept, share": dates["date_holds"].astype(float).mean(),
        "dates kept in service alone, share": dates["date_holds_in_service"].astype(float).mean(),
        "told on the mean": table["probability"].mean(),
        "held on the mean": table["holds"].mean(),
        "held in service alone, on the mean": table["holds_in_service"].mean(),
    }
    return pd.Series(lines)


def compared(before, after, horizon=180):
    """Interval scores after over before on the rows that both have."""
    keys = ["number", "months", "part", "horizon"]
    both = before.merge(after, on=keys, suffixes=(" before", " after"))
    both = both[both["horizon"] == horizon]
    groups = both.groupby("part")
    found = groups[
        [
            "winkler before",
            "winkler after",
            "crps before",
            "crps after",
            "error before",
            "error after",
        ]
    ]
    table = found.mean()
    table["winkler ratio"] = table["winkler after"] / table["winkler before"]
    table["crps ratio"] = table["crps after"] / table["crps before"]
    table["in90 before"] = 100 * groups["in90 before"].mean()
    table["in90 after"] = 100 * groups["in90 after"].mean()
    table.insert(0, "n", groups.size())
    return table
