"""InfluxDB: what goes over the wire, what its refusals mean; a double stands in for the server."""

from __future__ import annotations

import sys
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from pydantic import SecretStr

from baulk.ingest import shop as shops

sys.path.insert(0, str(Path(__file__).parent))
from influx_double import ORG, TOKEN, InfluxDouble
from influx_text import Flux, Refused, parse_line

from baulk.ingest import config
from baulk.ingest.config import StorePart
from baulk.ingest.errors import ConfigError, StoreAway, StoreMissing, StoreRefused
from baulk.ingest.store import influx_client, open_store
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def one(text="timber/FER-01/wood-temp", value=12.5, taken=NOW, **more):
    return Reading(series=Series.parse(text), value=value, taken_utc=taken, arrived_utc=taken, **more)


@pytest.fixture
def double():
    started = InfluxDouble("baulk", "baulk-kept")
    yield started
    started.stop()


@pytest.fixture
def settings(double, tmp_path):
    folder = shops.init(tmp_path / "yard", name="Ferry yard")
    loaded = config.load(folder)

    def made(**changes):
        given = {"kind": "influx", "url": double.url, "org": ORG, "token": SecretStr(TOKEN), **changes}
        return loaded.model_copy(update={"store": StorePart(**given)})

    return made


def test_a_point_is_one_line_with_the_series_in_tags_and_the_time_in_microseconds(double, settings):
    with closing(open_store(settings())) as store:
        store.append([one("timber/FER-01/pin-45/b/moisture", 23.5, source="hand", flags=("end-305", "jump"))])
    ((key, fields),) = double.points["baulk"].items()
    assert key == (
        "reading",
        frozenset(
            {
                ("owner", "timber"),
                ("named", "FER-01"),
                ("quantity", "moisture"),
                ("depth", "45"),
                ("face", "b"),
                ("kept", "always"),
            }
        ),
    )
    ns = int(NOW.timestamp()) * 10**9
    assert fields == {
        "value": {ns: 23.5},
        "arrived": {ns: ns // 1000},
        "source": {ns: "hand"},
        "flags": {ns: "end-305,jump"},
    }
    (sent,) = [(query, headers) for path, query, headers in double.asked if path == "/api/v2/write"]
    assert sent[0] == {"org": ORG, "bucket": "baulk", "precision": "us"}
    assert sent[1]["Content-Encoding"] == "gzip"


def test_a_batch_is_one_question_and_one_write(double, settings):
    with closing(open_store(settings())) as store:
        assert store.append([one(value=k, taken=NOW + k * MINUTE) for k in range(600)]) == 600
        assert store.append([one(value=k, taken=NOW + k * MINUTE) for k in range(600)]) == 0
    assert [path for path, _, _ in double.asked] == ["/api/v2/query", "/api/v2/write", "/api/v2/query"]


def test_a_batch_from_the_whole_yard_is_one_short_question(double, settings):
    yard = [one(f"timber/FER-{k:03d}/wood-temp", k) for k in range(200)]
    with closing(open_store(settings())) as store:
        assert store.append([*yard, one("air/shed/temp", 20)]) == 201
        assert store.append([*yard[:150], one("timber/FER-150/wood-temp", -1)]) == 0
        (row,) = store.quarantined()
    assert "timber/FER-150/wood-temp" in row.reason
    assert [path for path, _, _ in double.asked].count("/api/v2/query") == 2


def test_ten_thousand_readings_go_in_requests_of_five(double, settings):
    with closing(open_store(settings())) as store:
        assert store.append([one(value=k, taken=NOW + k * MINUTE) for k in range(10_001)]) == 10_001
        assert len(store.read(one().series)) == 10_001
    assert [path for path, _, _ in double.asked].count("/api/v2/write") == 3


@pytest.mark.parametrize(
    ("status", "headers", "error", "says"),
    [
        (401, {}, StoreRefused, "does not know our token.*set BAULK_INFLUX_TOKEN"),
        (403, {}, StoreRefused, "the token in BAULK_INFLUX_TOKEN may not do this with bucket baulk"),
        (404, {}, StoreMissing, "has no bucket baulk for us.*make it as deploy/influxdb describes"),
        (
            429,
            {"Retry_After": "17"},
            StoreAway,
            r"has no time for us \(429: as the test wishes\); try again in 17 s",
        ),
        (500, {}, StoreAway, r"has no time for us \(500: as the test wishes\); try again later"),
        (503, {}, StoreAway, "has no time for us"),
    ],
)
@pytest.mark.parametrize("asked_before", [0, 1])  # the question is refused, or the write
def test_a_refusal_is_one_sentence_and_stores_nothing(
    double, settings, status, headers, error, says, asked_before
):
    with closing(open_store(settings())) as store:
        double.next = [(204, {})] * asked_before + [(status, headers)]
        with pytest.raises(error, match=says) as caught:
            store.append([one()])
        assert "\n" not in str(caught.value)
        assert TOKEN not in str(caught.value)
        assert double.lines("baulk") == 0
        assert store.append([one()]) == 1


def test_a_wrong_token_a_token_without_the_right_and_a_wrong_name(double, settings):
    for changes, error, says in (
        ({"token": SecretStr("guessed")}, StoreRefused, "does not know our token"),
        ({"bucket": "balk"}, StoreMissing, "has no bucket balk"),
        ({"org": "yards"}, StoreMissing, 'organization name "yards" not found'),
    ):
        with closing(open_store(settings(**changes))) as store, pytest.raises(error, match=says):
            store.append([one()])
    double.rights[TOKEN] = {"read"}
    with closing(open_store(settings())) as store, pytest.raises(StoreRefused, match="may not do this"):
        store.append([one()])


def test_without_a_token_the_store_does_not_open(settings):
    with pytest.raises(ConfigError, match="needs a token; set BAULK_INFLUX_TOKEN"):
        open_store(settings(token=None))


def test_a_server_away_is_told_from_a_refusal_and_used_again_when_it_is_back(double, settings):
    with closing(open_store(settings())) as store:
        double.stop()
        with pytest.raises(
            StoreAway, match=r"yard on http://127\.0\.0\.1:\d+ is away .*; see whether the server"
        ):
            store.append([one()])
        assert store.quarantine_count() == 0  # the books lie elsewhere
        double.start()
        assert store.append([one()]) == 1


def test_points_that_the_server_will_not_have_go_to_quarantine_and_the_others_are_stored(double, settings):
    double.oldest["baulk"] = int(NOW.timestamp() * 10**9)
    with closing(open_store(settings())) as store:
        assert store.append([one(value=k, taken=NOW + k * MINUTE) for k in (-2, -1, 0, 1, 2)]) == 3
        reasons = [row.reason for row in store.quarantined()]
    assert double.lines("baulk") == 3
    assert len(reasons) == 2
    assert all("will not have what we send (422: partial write: points beyond" in why for why in reasons)


def test_a_write_too_large_for_the_server_goes_in_halves(double, settings):
    double.largest = 2000
    with closing(open_store(settings())) as store:
        assert store.append([one(value=k, taken=NOW + k * MINUTE) for k in range(100)]) == 100
        assert store.quarantine_count() == 0
    assert double.lines("baulk") == 100


def test_books_that_failed_after_the_write_are_made_up_for_when_the_message_comes_again(double, settings):
    with closing(open_store(settings())) as store:
        store.touch, kept = lambda *_: 1 / 0, store.touch
        with pytest.raises(ZeroDivisionError):
            store.append([one()])
        assert (double.lines("baulk"), store.series()) == (1, [])
        store.touch = kept
        before = store.revision()
        assert store.append([one()]) == 0
        assert store.series() == [one().series]
        assert store.revision() > before
        assert store._sql.ask("SELECT name FROM touched") == [("FER-01",)]


def test_hand_readings_and_weights_go_to_the_bucket_that_never_forgets(double, settings):
    with closing(open_store(settings(kept_bucket="baulk-kept"))) as store:
        every = [one(), one(value=13, taken=NOW + MINUTE, source="hand"), one("timber/FER-01/weight", 96)]
        assert store.append(every) == 3
        assert (double.lines("baulk"), double.lines("baulk-kept")) == (1, 2)
        assert store.readings(Owner.TIMBER, "FER-01") == [every[2], every[0], every[1]]
        assert store.latest(Owner.TIMBER, "FER-01") == [every[2], every[1]]
        assert store.append(every) == 0


def test_thinning_moves_what_stays_and_can_be_broken_off_at_any_request(double, settings):
    old = [one("air/shed/temp", k, NOW + k * 7 * MINUTE) for k in range(20)]
    later = NOW + timedelta(days=40)
    with closing(open_store(settings(kept_bucket="baulk-kept"))) as store:
        store.append(old)
        requests = 0
        for broken_at in range(1, 10):
            before = len(double.asked)
            double.handle, whole = _until(broken_at, double.handle), double.handle
            try:
                store.thin(later, keep_days=30)
            except StoreAway:
                continue
            else:
                requests = len(double.asked) - before
                break
            finally:
                double.handle = whole
                kept = store.readings(Owner.AIR, "shed")
                assert {one.taken_utc.hour for one in old} == {one.taken_utc.hour for one in kept}
        assert requests >= 3
        assert (double.lines("baulk"), double.lines("baulk-kept")) == (0, 3)
        assert store.thin(later, keep_days=30, to="daily") == 2
        (left,) = store.readings(Owner.AIR, "shed")
        assert left.flags == ("thinned",)
        assert store.append([one("air/shed/temp", 99, NOW + 3 * MINUTE)]) == 1  # late, from a spool
        assert store.thin(later, keep_days=30, to="daily") == 1
        assert double.lines("baulk") + double.lines("baulk-kept") == 1


def _until(broken_at, handle):
    left = [broken_at]

    def broken(*given):
        left[0] -= 1
        if left[0] < 0:
            raise Refused(503, "broken off")
        return handle(*given)

    return broken


@pytest.mark.parametrize("text", ['yard"', "a\\b", "${r.x}", "\\${x}", "tab\tand\nline", "oak \u00e9"])
def test_any_text_comes_through_flux_as_it_is(text):
    ((_, given),) = Flux(f"from(bucket: {influx_client.flux(text)})").steps
    assert given == {"bucket": text}


@pytest.mark.parametrize(
    "line",
    [
        "",
        "reading",
        "reading value=1,",
        "reading,owner value=1",
        "reading,owner= value=1",
        "reading,a=1,a=2 value=1",
        "reading value=one",
        'reading flags="open',
        "reading value=1 soon",
        "reading value=1 12 13",
        "reading  value=1 12",
        "reading value=NaN 1",
    ],
)
def test_the_double_refuses_what_the_grammar_does_not_allow(line):
    with pytest.raises(Refused):
        parse_line(line)


def test_the_double_reads_what_the_grammar_allows():
    line = r'odd\ one,a\,b=c\=d,e=f value=-1.5e3,n=7i,yes=t,say="a \"b\" \\ c, d=e" -12'
    assert parse_line(line) == (
        "odd one",
        {"a,b": "c=d", "e": "f"},
        {"value": -1500.0, "n": 7, "yes": True, "say": 'a "b" \\ c, d=e'},
        -12,
    )


@pytest.mark.parametrize(
    "text",
    [
        'from(bucket: "b"',
        'from(bucket: "b") |> range(start: -1h)',
        'from(bucket: "b") |> filter(fn: (r) => r.a === "x")',
        'from(bucket: "b") |> filter(fn: (r) => r.a == "x" or)',
        'from(bucket: "${evil}")',
        r'from(bucket: "\q")',
        'import "strings"',
    ],
)
def test_the_double_refuses_flux_that_it_does_not_know(text):
    with pytest.raises(Refused):
        Flux(text)
