"""An earlier forecast is held against what came, in numbers and in words."""

import json
from datetime import timedelta

import numpy as np
import pytest

from baulk.dashboard import words
from baulk.dashboard.charts import fitted
from baulk.dashboard.sections import forecast_review
from baulk.ingest import shop as shop_module
from baulk.ingest.evaluation.document import FittedReading
from baulk.ingest.evaluation.document_read import document_of, parse

DAY_S = 86_400.0


def earlier(invented, days=180, *, core=48.0, pins=(), **more):
    """A forecast made some days ago, in the form that the store keeps."""
    timber = invented.piece("FER-01")
    made = invented.NOW - timedelta(days=days)
    body = json.loads(invented.evaluation(timber, core=core, made=made, **more))
    at_s = [made.timestamp() + 28 * DAY_S * i for i in range(27)]
    rows = {name: [[mid + k] * 27 for k in (-4, -2, 0, 2, 4)] for name, mid in pins}
    body["forecast"]["pins"] = {"posix_s": at_s, "series": rows}
    return json.dumps(body).encode()


def today(invented, readings):
    body = json.loads(invented.evaluation(invented.piece("FER-01"), core=36.0))
    body["readings"] = [each.model_dump() for each in readings]
    return parse(json.dumps(body).encode())


def reading(invented, ago_days, measured, *, series="pin-32/b/moisture", **more):
    at_s = (invented.NOW - timedelta(days=ago_days)).timestamp()
    return FittedReading(
        posix_s=at_s,
        series=f"timber/FER-01/{series}",
        measured_pct=measured,
        **({"model_pct": measured, "sd_pct": 2.0} | more),
    )


PIN = "timber/FER-01/pin-32/b/moisture"


def test_readings_of_pins_are_held_against_the_band_of_the_same_pins(invented):
    then = parse(earlier(invented, pins=[(PIN, 20.0)]))
    since = [reading(invented, 100, 21), reading(invented, 50, 25.5), reading(invented, 10, 16.5)]
    found = forecast_review.met(then, today(invented, since))
    assert [each.within for each in found] == [True, False, True]
    assert [each.off_pct for each in found] == pytest.approx([1, 5.5, -3.5])


def test_readings_before_it_left_out_or_of_unknown_pins_are_not_counted(invented):
    then = parse(earlier(invented, pins=[(PIN, 20.0)]))
    others = [
        reading(invented, 200, 20),
        reading(invented, 20, 40, left_out="a loose pin"),
        reading(invented, 20, 20, series="pin-76/moisture"),
    ]
    assert forecast_review.met(then, today(invented, others)) == ()


def test_a_reading_that_says_at_least_can_only_lie_above_the_band(invented):
    then = parse(earlier(invented, pins=[(PIN, 34.0)]))
    since = [reading(invented, 30, 28, at_least=True), reading(invented, 20, 39, at_least=True)]
    found = forecast_review.met(then, today(invented, since))
    assert [each.within for each in found] == [True, False]
    assert [each.off_pct for each in found] == pytest.approx([0, 5])


def test_a_weight_lies_where_todays_fit_sees_it_and_is_held_against_the_mean(invented):
    then = parse(earlier(invented, core=48.0))
    answer = today(invented, [reading(invented, 30, 33.0, series="weight", model_pct=32.0)])
    (found,) = forecast_review.met(then, answer)
    at_s = found.reading.posix_s
    mean = np.interp(at_s, answer.history.posix_s, answer.history.mean_pct[2])
    assert found.came_pct == pytest.approx(mean + 1.0)
    assert found.middle_pct == pytest.approx(
        np.interp(at_s, then.forecast.posix_s, then.forecast.mean_pct[2])
    )


def test_it_is_said_in_words_with_the_share_and_the_largest_miss(invented):
    then = parse(earlier(invented, pins=[(PIN, 20.0)]))
    answer = today(invented, [reading(invented, d, 20 + (6 if d == 40 else 0)) for d in (80, 60, 40, 20)])
    said = forecast_review.sentences(then, answer, forecast_review.met(then, answer), "inch")
    day = words.day(invented.NOW - timedelta(days=180))
    assert said[0].startswith(f"Of 4 readings since {day}, 3 (75 %) came within its 90 % band.")
    assert "largest miss was 6.0 points above" in said[1]
    assert "1 1/4 in deep" in said[1]
    assert said[2].startswith("For the core today it said ")
    assert said[2].endswith("today's fit says 36 % (32 to 40).")


def test_readings_that_only_say_at_least_are_counted_apart(invented):
    then = parse(earlier(invented, pins=[(PIN, 34.0)]))
    since = [reading(invented, d, v, at_least=True) for d, v in ((30, 28), (20, 28), (10, 39))]
    answer = today(invented, [*since, reading(invented, 5, 34.0)])
    said = forecast_review.sentences(then, answer, forecast_review.met(then, answer), "metric")
    day = words.day(invented.NOW - timedelta(days=180))
    assert said[0] == f"The one reading since {day} came within its 90 % band."
    assert said[2].startswith(f"3 readings since {day} could only say 'at least this wet'")
    assert said[2].endswith("1 of them would have it wetter.")


def test_a_forecast_that_nothing_followed_says_so(invented):
    then = parse(earlier(invented))
    said = forecast_review.sentences(then, today(invented, []), (), "metric")
    assert said[0].startswith("No reading since ")
    assert said[0].endswith(" can be held against it.")


def test_a_day_without_a_forecast_is_none(invented):
    assert document_of(b'{"tag":"FER-01","failed":"no air"}') is None
    assert document_of(None) is None
    assert document_of(earlier(invented)).forecast.pins.series == {}


def page(app, tag="FER-01"):
    app.run()
    app.switch_page("views/timber.py")
    app.query_params["tag"], app.query_params["open"] = tag, "earlier"
    app.run()
    assert not app.exception
    return app


def test_before_the_first_week_the_page_says_when_the_comparison_comes(app):
    page(app)
    (said,) = [each.value for each in app.info if "Nothing to compare yet" in each.value]
    assert "a week after the first forecast" in said
    assert "baulk" not in said


def test_the_page_opens_on_the_forecast_of_half_a_year_ago_and_shows_another_when_asked(
    app, invented, shop_folder
):
    with shop_module.open(shop_folder) as opened:
        for days in (90, 180, 400):
            made = invented.NOW - timedelta(days=days)
            payload = earlier(invented, days, pins=[(PIN, 20.0)])
            opened.store.keep_past("FER-01", made, payload)
    page(app)
    box = app.selectbox(key="came-true-FER-01")
    half_a_year = words.day(invented.NOW - timedelta(days=180))
    assert len(box.options) == 3
    assert box.format_func(box.value).startswith(half_a_year)
    said = " ".join(each.value for each in app.markdown)
    assert f"since {half_a_year}" in said
    assert "90 % band" in said
    box.select_index(0).run()
    assert not app.exception
    assert f"since {words.day(invented.NOW - timedelta(days=90))}" in " ".join(e.value for e in app.markdown)


def test_when_a_part_comes_down_is_said_with_its_chances(invented):
    def said(*days):
        dates = [None if d is None else invented.NOW + timedelta(days=d) for d in days]
        return words.reached("The core", 20.0, dates, invented.NOW)

    def month(days):  # a spread of 150 days from 5 to 95 % is one of a month and a half
        return f"{(invented.NOW + timedelta(days=days)).astimezone():%b %Y}"

    assert said(50, 80, 100, 150, 200) == (
        f"The core comes down to 20 % about {month(100)} most likely; nine chances in ten lie between "
        f"{month(50)} and {month(200)}."
    )
    assert said(0, 0, 0, 0, 0) == "The core is at 20 % or below already."
    assert said(0, 0, 0, 30, 60).startswith("The core is most likely at 20 % or below already; nine")
    assert "beyond the forecast" in said(50, 80, 100, None, None)
    assert said(50, None, None, None, None).startswith("The core comes down to 20 % in less than half")
    assert "one chance of twenty" in said(None, None, None, None, None)


def test_pins_that_only_say_at_least_are_not_drawn_and_such_readings_are_arrows(invented):
    deep = "timber/FER-01/pin-76/moisture"
    then = parse(earlier(invented, pins=[(PIN, 20.0), (deep, 35.0)]))
    since = [
        reading(invented, 40, 21),
        reading(invented, 30, 30, at_least=True),
        *(reading(invented, days, 30, series="pin-76/moisture", at_least=True) for days in (40, 30, 20)),
    ]
    found = forecast_review.met(then, today(invented, since))
    assert forecast_review._most_telling(found) == [PIN]
    dots, arrows = forecast_review._points(found)
    assert list(dots.data["came"]) == [21]
    assert arrows.mark.shape == fitted.UP
    assert len(arrows.data) == 4
