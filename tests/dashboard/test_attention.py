"""What a timber asks for: frost is no quarrel of readings, and no card says yes and perhaps."""

from __future__ import annotations

import json

from baulk.dashboard.queries import yard_rows
from baulk.ingest import shop as shop_module
from baulk.models.reason import Reason


def reason(code, **values):
    return Reason(code=f"calibration.{code}", values={"series": "timber/FER-01/weight", **values})


def test_readings_set_aside_for_frost_disagree_with_nothing_and_the_others_are_counted_by_reading():
    frost = [reason("frozen", count=54, air_c=-6.0) for _ in range(3)]
    assert yard_rows.disagreeing(frost) == 0
    assert yard_rows.disagreeing([*frost, reason("outlier", count=7), reason("drifts")]) == 8


def test_a_piece_that_may_be_squared_wet_is_not_said_to_have_too_few_readings(app, shop_folder, invented):
    """One for the water may be squared with no reading at all; "Square" and that stood on one card."""
    for tag, step in (("FER-03", "square"), ("FER-02", "leave")):
        body = json.loads(invented.evaluation(invented.piece(tag), step=step, days=0))
        body["verdict"]["enough_readings"] = False
        with shop_module.open(shop_folder) as s:
            s.store.save_evaluation(tag, invented.NOW, json.dumps(body).encode())
    rows = {row.timber.tag: row for row in yard_rows.rows(invented.NOW)}
    assert "too few readings to be sure" not in rows["FER-03"].attention
    assert "too few readings to be sure" in rows["FER-02"].attention
    app.run()
    app.switch_page("views/timber.py")
    for tag, doubted in (("FER-03", False), ("FER-02", True)):
        app.query_params["tag"] = tag
        app.run()
        told = "".join(each.proto.body for each in app.get("html"))
        assert ("too few readings" in told) is doubted
