"""InfluxDB: what goes over the wire, what its refusals mean; a double stands in for the server."""

from __future__ import annotations

import sys
import threading
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from pydantic import SecretStr

sys.path.insert(0, str(Path(__file__).parent))
import influx_real
from influx_double import TOKEN
from influx_flux import Flux
from influx_text import Refused, parse_line

from baulk.dashboard.commands import timber as timber_command
from baulk.ingest import config, hand_readings
from baulk.ingest import shop as shops
from baulk.ingest.config import StorePart
from baulk.ingest.errors import ConfigError, StoreAway, StoreMissing, StoreRefused
from baulk.ingest.exchange import export, table_file
from baulk.ingest.store import influx_client, open_store
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

from .conftest import timber

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def one(text="timber/FER-01/wood-temp", value=12.5, taken=NOW, **more):
    return Reading(series=Series.parse(text), value=value, taken_utc=taken, arrived_utc=taken, **more)


@pytest.fixture
def double():
    with influx_real.started("baulk", "baulk-kept") as server:
        yield server


@pytest.fixture
def settings(double, tmp_path):
    folder = shops.init(tmp_path / "yard", name="Ferry yard")
    loaded = config.load(folder)

    def made(**changes):
        given = {"kind": "influx", "url": double.url, "org": double.org, "token": SecretStr(TOKEN), **changes}
        return loaded.model_copy(update={"store": StorePart(**given)})

    return made


def test_a_point_is_one_line_with_the_series_in_tags_and_the_time_in_microseconds(double, settings):
    with closing(open_store(settings())) as store:
        store.append([one("timber/FER-01/pin-45/b/moisture", 23.5, source="hand", flags=("end-305", "jump"))])
    ((measurement, tags, ns, fields),) = double.rows("baulk")
    assert measurement == "reading"
    assert tags == {
        "owner": "timber",
        "named": "FER-01",
        "quantity": "moisture",
        "depth": "45",
        "face": "b",
        "kept": "always",
    }
    assert ns == int(NOW.timestamp()) * 10**9
    assert fields == {"value": 23.5, "arrived": ns // 1000, "source": "hand", "flags": "end-305,jump"}
    (sent,) = [(query, headers) for path, query, headers in double.asked if path == "/api/v2/write"]
    assert sent[0] == {"org": double.org, "bucket": "baulk", "precision": "us"}
    assert sent[1]["Content-Encoding"] == "gzip"


def test_a_batch_is_one_question_and_one_write(double, settings):
    with closing(open_store(settings())) as store:
        assert store.append([one(value=k, taken=NOW + k * MINUTE) for k in range(600)]) == 600
        assert store.append([one(value=k, taken=NOW + k * MINUTE) for k in range(600)]) == 0
    assert double.paths() == ["/api/v2/query", "/api/v2/write", "/api/v2/query"]


def test_a_batch_from_the_whole_yard_is_one_short_question(double, settings):
    yard = [one(f"timber/FER-{k:03d}/wood-temp", k) for k in range(200)]
    with closing(open_store(settings())) as store:
        assert store.append([*yard, one("air/shed/temp", 20)]) == 201
        assert store.append([*yard[:150], one("timber/FER-150/wood-temp", -1)]) == 0
        (row,) = store.quarantined()
    assert "timber/FER-150/wood-temp" in row.reason
    assert double.paths().count("/api/v2/query") == 2


def test_ten_thousand_readings_go_in_requests_of_five(double, settings):
    with closing(open_store(settings())) as store:
        assert store.append([one(value=k, taken=NOW + k * MINUTE) for k in range(10_001)]) == 10_001
        assert len(store.read(one().series)) == 10_001
    assert double.paths().count("/api/v2/write") == 3


@pytest.mark.parametrize(
    ("status", "headers", "error", "says"),
    [
        (401, {}, StoreRefused, "does not know our token.*set BAULK_INFLUX_TOKEN"),
        (403, {}, StoreRefused, "the token in BAULK_INFLUX_TOKEN may not do this with bucket baulk"),
        (404, {}, StoreMissing, "has no bucket baulk for us.*not there, or the token .* make both as deploy"),
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
        ({"org": "yards"}, StoreMissing, "has no such organisation .*correct org under"),
    ):
        with closing(open_store(settings(**changes))) as store, pytest.raises(error, match=says):
            store.append([one()])
    double.only_reads()
    with closing(open_store(settings())) as store, pytest.raises(StoreRefused, match="may not do this"):
        store.append([one()])


def test_without_a_token_the_store_does_not_open(settings):
    with pytest.raises(ConfigError, match="needs a token; set BAULK_INFLUX_TOKEN"):
        open_store(settings(token=None))


def test_a_server_away_is_told_from_a_refusal_and_used_again_when_it_is_back(double, settings):
    with closing(open_store(settings())) as store:
        double.stop()
        with pytest.raises(
            StoreAway, match=rf"{double.org} on http://127\.0\.0\.1:\d+ is away .*; see whether the server"
        ):
            store.append([one()])
        assert store.quarantine_count() == 0  # the books lie elsewhere
        double.start()
        assert store.append([one()]) == 1


def test_readings_older_than_the_retention_are_put_aside_at_once_and_each_time(double, settings):
    double.forget_after("baulk", 30 * 86400)
    edge = datetime.now(UTC).replace(microsecond=0) - timedelta(days=30)
    batch = [one(value=k, taken=edge + (k - 1999) * MINUTE) for k in range(2002)]  # the last two are younger
    with closing(open_store(settings())) as store:
        assert store.append(batch) == 2
        assert store.append(batch) == 0
        assert store.quarantine_count() == 2000
        (row,) = store.quarantined(limit=1)
    assert double.lines("baulk") == 2
    assert len(double.paths()) == 3  # not thousands: question, write, question
    assert "is older than the 30 days for which bucket baulk keeps readings" in row.reason


def test_a_retention_that_only_the_refusal_tells_is_learned_from_it(double, settings, monkeypatch):
    double.forget_after("baulk", 30 * 86400)
    monkeypatch.setattr(influx_client.Influx, "keeps_s", lambda *_: None)
    edge = datetime.now(UTC).replace(microsecond=0) - timedelta(days=32)
    with closing(open_store(settings())) as store:
        assert (
            store.append([one(value=k, taken=edge + k * 2 * timedelta(hours=1)) for k in range(200)]) == 175
        )
        assert store.quarantine_count() == 25
    assert len(double.paths()) == 3


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
        assert (double.lines("baulk"), store._sql.ask("SELECT text FROM series")) == (1, [])
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
    ((_, code),) = Flux(f"from(bucket: {influx_client.flux(text)})").statements
    assert code({"from": lambda bucket: bucket}) == text


def test_the_double_reads_what_the_grammar_allows():
    line = r'odd\ one,a\,b=c\=d,e=f value=-1.5e3,n=7i,yes=t,say="a \"b\" \\ c, d=e" -12'
    assert parse_line(line) == (
        "odd one",
        {"a,b": "c=d", "e": "f"},
        {"value": -1500.0, "n": 7, "yes": True, "say": 'a "b" \\ c, d=e'},
        -12,
    )


def asked_for(double):
    return [text for path, text in double.bodies if path.endswith("/query")]


def test_one_clock_at_2001_among_25_timbers_is_asked_for_alone(double, settings):
    yard = [one(f"timber/FER-{k:02d}/wood-temp", k) for k in range(25)]
    with closing(open_store(settings())) as store:
        store.append(yard)
        del double.asked[:], double.bodies[:]
        late = one("timber/FER-07/wood-temp", 99, datetime(2001, 1, 1, tzinfo=UTC))
        assert store.append([*(one(str(y.series), 1, NOW + MINUTE) for y in yard), late]) == 26
    questions = asked_for(double)
    assert len(questions) == 2
    assert ["FER-07" in text for text in questions] == [True, False]
    assert all(text.split("start: ")[1][:10] == text.split("stop: ")[1][:10] for text in questions)


def test_timbers_spread_over_days_are_asked_for_a_few_at_a_time(double, settings):
    many = [
        one(f"timber/FER-{k:02d}/wood-temp", k, NOW + j * 59 * MINUTE) for k in range(25) for j in range(30)
    ]
    with closing(open_store(settings())) as store:
        assert store.append(many) == 750
    questions = asked_for(double)
    assert [text.count("r.named ==") for text in questions] == [20, 5]


def test_a_flag_on_a_thinned_reading_is_kept_and_survives_the_next_thinning(double, settings):
    old = [one("air/shed/temp", k, NOW + k * 7 * MINUTE) for k in range(20)]
    later = NOW + timedelta(days=40)
    with closing(open_store(settings(kept_bucket="baulk-kept"))) as store:
        store.append(old)
        store.thin(later, keep_days=30)
        held = store.readings(Owner.AIR, "shed")[0]
        flagged = replace(held, flags=("end-300", "thinned"))
        store.reattribute([held], [flagged])
        for _ in range(2):
            assert store.readings(Owner.AIR, "shed")[0].flags == ("end-300", "thinned")
            assert store.read(held.series)["flags"].iloc[0] == "end-300,thinned"
            store.thin(later, keep_days=30)
    assert double.lines("baulk") + double.lines("baulk-kept") == 3


def test_a_thinned_reading_that_moves_to_another_timber_stays_where_nothing_is_forgotten(double, settings):
    with closing(open_store(settings(kept_bucket="baulk-kept"))) as store:
        held = one(flags=("thinned",))
        store.append([held])
        assert (double.lines("baulk"), double.lines("baulk-kept")) == (0, 1)


def test_moving_readings_deletes_them_by_stretches_and_outside_the_transaction(double, settings):
    here, there = (f"timber/FER-0{k}/wood-temp" for k in (1, 2))
    moved = [one(here, k, NOW + k * MINUTE) for k in range(300)]
    stays = one(here, 1, NOW + 150 * MINUTE + timedelta(seconds=1))
    with closing(open_store(settings())) as store, closing(open_store(settings())) as other:
        store.append([*moved, stays])
        writers = []
        handle = double.handle

        def watched(path, *rest):
            if path.endswith("/delete"):
                other.note("x", b"y")  # waits if the books are locked
                writers.append(path)
            return handle(path, *rest)

        double.handle = watched
        store.reattribute(moved, [replace(each, series=Series.parse(there)) for each in moved])
        assert len(writers) == 2  # up to the reading that stays, and after it
        assert store.readings(Owner.TIMBER, "FER-01") == [stays]
        assert len(store.readings(Owner.TIMBER, "FER-02")) == 300
        assert store.notes("leaving/") == {}


def test_a_move_broken_off_before_the_deletion_is_ended_with_the_next_batch(double, settings):
    gone, come = one(), one("timber/FER-02/wood-temp")
    with closing(open_store(settings())) as store:
        store.append([gone])
        handle, double.handle = double.handle, lambda path, *rest: _no_deletion(path, handle, *rest)
        store.reattribute([gone], [come])
        assert len(store.notes("leaving/")) == 1
        double.handle = handle
    with closing(open_store(settings())) as store:
        store.append([one("timber/FER-03/wood-temp")])
        assert store.readings(Owner.TIMBER, "FER-01") == []
        assert store.readings(Owner.TIMBER, "FER-02") == [come]
        assert store.notes("leaving/") == {}


def _no_deletion(path, handle, *rest):
    if path.endswith("/delete"):
        raise Refused(503, "killed here")
    return handle(path, *rest)


def test_books_of_before_a_series_began_hide_nothing(double, settings):
    with closing(open_store(settings())) as store:
        store.append([one(), one("air/shed/temp", 20)])
        with store._sql.write() as (at, _):
            at.run("DELETE FROM series")
        assert len(store.daily_means()) == 2
    with closing(open_store(settings())) as store:  # as the listing is looked at once by each program
        assert [str(each) for each in store.series()] == ["air/shed/temp", "timber/FER-01/wood-temp"]
        assert store.places() == ["shed"]


def test_two_writers_at_one_time_lose_nothing_in_silence(double, settings):
    with closing(open_store(settings())) as left, closing(open_store(settings())) as right:
        sides = [
            threading.Thread(target=_several, args=(store, value)) for store, value in ((left, 1), (right, 2))
        ]
        for side in sides:
            side.start()
        for side in sides:
            side.join()
        clashes = left.quarantine_count()
        stored = left.readings(Owner.TIMBER, "FER-01")
    assert len(stored) == 40
    assert clashes == 40


def _several(store, value):
    for k in range(40):
        store.append([one(value=value, taken=NOW + k * MINUTE)])


def test_the_newest_of_all_and_the_daily_means_are_one_and_two_questions(double, settings):
    with closing(open_store(settings())) as store:
        store.append(
            [one(f"timber/FER-{k:03d}/wood-temp", k, NOW + j * MINUTE) for k in range(60) for j in range(3)]
        )
        for ask, questions in ((lambda: store.latest(Owner.TIMBER), 1), (store.daily_means, 2)):
            del double.asked[:]
            assert len(ask()) == 60
            assert len(double.paths()) == questions
        del double.asked[:]
        assert store.thin(NOW + timedelta(days=40), keep_days=30) == 120
        assert double.paths().count("/api/v2/query") == 2
        assert double.paths().count("/api/v2/delete") == 1


def test_the_task_thins_as_the_store_does(double, settings, root):
    today = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    at = today - timedelta(days=366)
    values = [0.5, 2.5, 3.5, 6.5, 7.5, 10.5]
    batch = [one("air/shed/temp", value, at + k * MINUTE) for k, value in enumerate(values)]
    batch += [one("air/shed/temp", 9, at + timedelta(hours=5)), one(value=4, taken=at, flags=("jump",)),
              one(value=5, taken=at + MINUTE, flags=("jump",))]  # fmt: skip
    with closing(open_store(settings(kept_bucket="baulk-kept"))) as store:
        store.append(batch)
        for _ in range(2):  # the next night finds the same days
            double.run_task((root / "deploy" / "influxdb" / "downsample.flux").read_text())
        by_task = double.rows("baulk-kept")
        store.thin(today, keep_days=365)
        assert sorted(map(str, double.rows("baulk-kept"))) == sorted(map(str, by_task))
        found = {(each.value, each.taken_utc, each.flags) for each in store.readings(Owner.AIR, "shed")}
        assert found == {(3.5, at + 2 * MINUTE, ("thinned",)), (9, at + timedelta(hours=5), ())}
        (timber,) = store.readings(Owner.TIMBER, "FER-01")
        assert (timber.value, timber.flags) == (4, ("jump", "thinned"))


def test_a_server_that_goes_away_while_an_export_is_written_is_no_fault_of_the_file(
    double, settings, tmp_path
):
    config_ = settings()
    with closing(open_store(config_)) as store:
        store.append([one(), one("air/shed/temp", 20)])
        opened = shops.Shop(config=config_, store=store, register=None, woods=None)
        table = export.readings(opened, export.Asked())
        double.next = [(503, {})] * 9
        with pytest.raises(StoreAway, match="has no time for us"):
            table_file.write(table, tmp_path / "out.csv")
    assert not (tmp_path / "out.csv").exists()


def test_the_task_cuts_no_hour_in_two(double, settings, root):
    hour = (datetime.now(UTC) - timedelta(days=365)).replace(minute=0, second=0, microsecond=0)
    with closing(open_store(settings(kept_bucket="baulk-kept"))) as store:
        store.append([one("air/shed/temp", k, hour + k * 10 * MINUTE) for k in range(6)])
        double.run_task((root / "deploy" / "influxdb" / "downsample.flux").read_text())
    assert double.lines("baulk-kept") == 0  # of that day nothing yet: the next night takes all of it


def test_a_reading_by_hand_waits_in_the_books_while_the_server_is_away(
    double, settings, baulk, monkeypatch, capsys
):
    config_ = settings()
    path = config_.shop_dir / "baulk.toml"
    with shops.open(config_.shop_dir) as opened:
        opened.register.add(timber())
    store = f'kind = "influx"\nurl = "{double.url}"\norg = "{double.org}"'
    path.write_text(path.read_text().replace('kind = "sqlite"', store))
    words = ("--shop", str(config_.shop_dir))
    env = {"BAULK_INFLUX_TOKEN": double.token}
    mistaken = path.read_text()
    path.write_text(mistaken.replace(f'org = "{double.org}"', f'org = "{double.org}"\nbucket = "balk"'))
    monkeypatch.setenv("BAULK_INFLUX_TOKEN", double.token)
    with shops.open(config_.shop_dir) as opened:
        where = Series.parse("air/shed/temp")
        assert hand_readings.add(opened, where, 19, now_utc=NOW, new_place=True)
        assert opened.store.waiting() == 1
    timber_command.show("FER-01", shop=config_.shop_dir)
    assert f"newest readings: the store {double.org} on" in (said := capsys.readouterr().out)
    assert "has no bucket balk for us" in said
    path.write_text(mistaken)
    double.stop()
    timber_command.show("FER-01", shop=config_.shop_dir)
    assert "is away" in capsys.readouterr().out
    added = baulk(*words, "reading", "add", "--air", "shed", "temp", "20C", "--new-place", **env)
    assert (added.returncode, "kept here until the store's server takes it" in added.stdout) == (0, True)
    out = baulk(*words, "export", "readings", "-o", str(path.with_name("o.csv")), **env)
    assert (out.returncode, "is away" in out.stderr, "can't be written" in out.stderr) == (1, True, False), (
        out
    )
    double.start()
    with closing(open_store(config_)) as opened:
        opened.append([one()])
        assert {each.value for each in opened.readings(Owner.AIR, "shed")} == {19, 20}
        assert opened.waiting() == 0
