"""Notices, findings and hints in words: one thing each, in the reader's units alone."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

from baulk.models import text
from baulk.models.reason import Reason
from baulk.models.text import notices
from baulk.models.text.common import span

MARCH = datetime(2027, 3, 4, 12, tzinfo=UTC)
MAY = datetime(2027, 5, 4, 12, tzinfo=UTC)
PIN = "timber/FER-03/pin-50.8/b/moisture"

# code, values, inch, metric (None: the same)
TOLD = [
    (
        "notice.ready",
        {"tag": "FER-01", "step": "square"},
        "FER-01 can be squared now",
        None,
    ),
    (
        "notice.ready",
        {"tag": "FER-01", "step": "rough out"},
        "FER-01 can be roughed out now",
        None,
    ),
    (
        "notice.slipped",
        {"tag": "FER-01", "days": 61, "expected_utc": MAY, "was_utc": MARCH},
        "FER-01 is expected 61 days later than before: about May 2027",
        None,
    ),
    (
        "notice.no_date",
        {"tag": "FER-01"},
        "FER-01 is no longer expected to be ready to square within two years",
        None,
    ),
    (
        "notice.check_risk",
        {"tag": "FER-01", "from_utc": None},
        (
            "the surface of FER-01 dries faster than the mildest published safe start: raise the humidity, "
            "cover it or move it out of draught and sun"
        ),
        None,
    ),
    (
        "notice.check_risk",
        {"tag": "FER-01", "from_utc": MARCH},
        (
            "the surface of FER-01 will by 4 March 2027 dry faster than the mildest published safe start: "
            "raise the humidity, cover it or move it out of draught and sun"
        ),
        None,
    ),
    (
        "notice.contradiction",
        {"tag": "FER-01", "since_utc": MARCH, "scale_mean_pct": 57, "pins_mean_pct": 14},
        (
            "scale and pins of FER-01 contradict each other since 4 March 2027: the mean is 57 % by the "
            "scale and 14 % by the pins. Do not saw it before one test has shown which is right; its "
            "verdict says what to check"
        ),
        None,
    ),
    (
        "notice.suspected_pins",
        {"series": PIN},
        (
            "the pins 2 in deep in face b of FER-03 no longer agree with the other readings, as if they "
            "drifted or were in other wood. Check the pins, or drive new ones beside them"
        ),
        (
            "the pins 51 mm deep in face b of FER-03 no longer agree with the other readings, as if they "
            "drifted or were in other wood. Check the pins, or drive new ones beside them"
        ),
    ),
    (
        "notice.air_departed",
        {"place": "loft", "change_pct": -18},
        (
            "the air of loft holds 18 % less vapour beside the other places than weeks ago, as if its "
            "humidity sensor drifted or the room were used in another way. Hold the sensor beside another "
            "for a day"
        ),
        None,
    ),
    (
        "notice.temp_departed",
        {"series": "air/loft/temp", "warmer_k": -2.5, "count": 3},
        (
            "the air temperature in loft shows 4 °F colder beside the 3 others in its place than weeks ago, "
            "as if it drifted, or sun or a heater reached it: stirred ice water tells (32 °F)"
        ),
        (
            "the air temperature in loft shows 2.5 °C colder beside the 3 others in its place than weeks "
            "ago, as if it drifted, or sun or a heater reached it: stirred ice water tells (0 °C)"
        ),
    ),
    (
        "notice.mould",
        {"place": "shed", "share": 0.41},
        (
            "the air of shed was damp enough for mould in 41 % of the last four weeks (Hukka & Viitanen "
            "1999): move air over wet faces and look at them; wear a mask if mould has grown"
        ),
        None,
    ),
    (
        "health.silent",
        {"about": "air/shed", "silent_s": 32_400.0, "usual_s": 3600.0},
        (
            "nothing has come from the air sensor in shed for 9 hours, usually every 1 hour: check its "
            "battery, its radio and the broker"
        ),
        None,
    ),
    (
        "health.silent",
        {"about": PIN, "silent_s": 3 * 86_400.0, "usual_s": None},
        (
            "nothing has come from the pins 2 in deep in face b of FER-03 for 3 days: check its battery, "
            "its radio and the broker"
        ),
        (
            "nothing has come from the pins 51 mm deep in face b of FER-03 for 3 days: check its battery, "
            "its radio and the broker"
        ),
    ),
    (
        "health.battery",
        {"about": "timber/FER-01", "charge_pct": 19.0},
        "the battery of the sensor on FER-01 is down to 19 %: change it",
        None,
    ),
    (
        "health.battery",
        {"about": "air/shed", "volts": 2.5, "best_volts": 3.0},
        "the battery of the air sensor in shed is down to 2.50 V, was 3.00 V: change it",
        None,
    ),
    (
        "health.clock",
        {"about": "air/shed", "ahead_s": 300.0},
        (
            "the clock of the air sensor in shed is wrong: 5 minutes ahead. Set it, or let the sensor send "
            "no time"
        ),
        None,
    ),
    (
        "health.clock",
        {"about": "air/shed", "ahead_s": None},
        "the clock of the air sensor in shed is wrong. Set it, or let the sensor send no time",
        None,
    ),
    (
        "health.device_clock",
        {
            "about": "air/shed",
            "behind_s": 3600.0,
            "since_utc": MARCH,
            "drift_s_day": 2.0,
            "is_whole": True,
            "is_corrected": True,
        },
        (
            "the clock of the air sensor in shed is 1 h 0 min behind since "
            f"{MARCH.astimezone():%Y-%m-%d %H:%M}, as with another time zone or summer time: its readings "
            "are moved by that; set it (what it sent is kept: `baulk sensor clock`)"
        ),
        None,
    ),
    (
        "health.device_clock",
        {
            "about": "timber/FER-01",
            "behind_s": -2220.0,
            "since_utc": MARCH,
            "drift_s_day": -3.0,
            "is_whole": False,
            "is_corrected": False,
        },
        (
            f"the clock of the sensor on FER-01 is 37 min ahead since {MARCH.astimezone():%Y-%m-%d %H:%M}, "
            "3 s more ahead each day: set it"
        ),
        None,
    ),
    (
        "health.device_clock",
        {
            "about": "timber/FER-01",
            "behind_s": 2220.0,
            "since_utc": MARCH,
            "drift_s_day": None,
            "is_whole": False,
            "is_corrected": False,
        },
        (
            f"the clock of the sensor on FER-01 is 37 min behind since {MARCH.astimezone():%Y-%m-%d %H:%M}, "
            "or what it sends comes that late: set it, or say with `baulk sensor clock` whether its times "
            "are right"
        ),
        None,
    ),
    (
        "health.clock_runs",
        {
            "about": "air/shed",
            "behind_s": 3.0,
            "since_utc": MARCH,
            "drift_s_day": 2.0,
            "is_whole": False,
            "is_corrected": False,
        },
        "at most 3 s behind, 2 s more behind each day",
        None,
    ),
    (
        "health.host_clock",
        {"ahead_s": -10_800.0, "devices": 4},
        (
            "this machine's clock is 3 hours behind, as 4 sensors agree, whose times are believed: set it, "
            "then `baulk reading decode-again` puts earlier readings right"
        ),
        None,
    ),
    (
        "health.stuck",
        {"series": "air/shed/temp", "quantity": "temp", "value": 20.0, "unit": "degC"},
        (
            "the air temperature in shed has been 68 °F for two days: the sensor is stuck or wet, or its "
            "last message is repeated"
        ),
        (
            "the air temperature in shed has been 20 °C for two days: the sensor is stuck or wet, or its "
            "last message is repeated"
        ),
    ),
    (
        "health.quarantine",
        {"messages": 1},
        (
            "1 message could not be stored: see why under Messages not understood, correct the cause and try "
            "them again"
        ),
        None,
    ),
    (
        "health.session",
        {"since_utc": MARCH, "until_utc": MAY},
        (
            f"the broker no longer knew the listener when it came back at {MAY.astimezone():%Y-%m-%d %H:%M}: "
            f"what sensors sent since {MARCH.astimezone():%Y-%m-%d %H:%M} and was not fetched is lost. The "
            "broker may have lost its memory, the listener may have been away for longer than session_days, "
            "or another program took its client id: set the broker up as deploy/mosquitto tells"
        ),
        None,
    ),
    (
        "health.forwarder",
        {
            "name": "shed",
            "silent_s": 3 * 86_400.0,
            "waiting": 12,
            "refused": 0,
            "used_pct": None,
            "days": None,
        },
        (
            "nothing was heard of the forwarder shed for 3 days: look after its link; when it was heard last "
            "12 messages waited there"
        ),
        None,
    ),
    (
        "health.forwarder",
        {"name": "shed", "silent_s": None, "waiting": 9, "refused": 2, "used_pct": 85.0, "days": 6.4},
        (
            "the room of the forwarder shed is 85 % full, enough for 6 days: repair its link, or raise "
            "spool_mb in its [forward]; 2 messages of the forwarder shed are not taken by the shop's "
            "broker: map their topic ([[source]]), and give its account the right (`baulk sensor accounts`)"
        ),
        None,
    ),
    (
        "health.certificate",
        {"broker": "broker.local:8883", "until_utc": MAY},
        (
            "the certificate of the broker at broker.local:8883 ends on 4 May 2027: make a new one "
            "(deploy/tls/make), or no sensor and no listener will connect"
        ),
        None,
    ),
    (
        "health.behind",
        {"tags": ("A", "B"), "more": 3},
        (
            "the verdict of A, B and 3 more is older than the latest readings: forecasts are slow or not "
            "running; start them where Baulk is installed (`baulk serve`)"
        ),
        None,
    ),
    (
        "health.stopped",
        {"since_utc": MAY},
        (
            "no forecast and no night's work since 4 May 2027: start them where Baulk is "
            "installed (`baulk serve`)"
        ),
        None,
    ),
    (
        "health.disk",
        {"folder": "ferry", "free_mb": 310.0, "needed_mb": 1200.0},
        (
            "the disk of ferry has about 310 MB left, and 1.2 GB should be free: make room, move the shop "
            "to a larger disk, or have old sensor readings thinned ([store] thin_after_days). A full disk "
            "loses no reading, but takes none either"
        ),
        None,
    ),
    (
        "health.disk_weeks",
        {"folder": "ferry", "free_mb": 2100.0, "mb_a_week": 350.0, "weeks": 6},
        (
            "the disk of ferry is full in about 6 weeks: it grows by 350 MB a week and about 2.1 GB are "
            "left. Make room, or have old sensor readings thinned ([store] thin_after_days)"
        ),
        None,
    ),
    (
        "health.backup",
        {"folder": "/mnt/usb", "last_utc": MAY},
        (
            "the night's backup into /mnt/usb fails, the last one is of 4 May 2027: see that the disk is "
            "there and has room, then try it by hand with `baulk backup -o /mnt/usb`, which says what is "
            "wrong. Where that works, Baulk runs as a service that may not write there: deploy/systemd "
            "tells how it is let in"
        ),
        None,
    ),
    (
        "health.no_backup",
        {},
        "no backup is made at night: name a folder on another disk, backup_dir in [store] of baulk.toml",
        None,
    ),
    (
        "health.backup_beside",
        {"folder": "/mnt/usb/yard"},
        (
            "the night's backups go to /mnt/usb/yard, on the disk that holds the shop, and would be lost "
            "with it: plug in and mount the disk that is meant to be there, or name a folder on another "
            "disk, backup_dir in [store] of baulk.toml"
        ),
        None,
    ),
    (
        "health.files",
        {"folder": "ferry", "files": ("pages.password", "shop.db"), "more": 1},
        (
            "other users of this machine may read or change pages.password, shop.db and 1 more of the shop; "
            "run: chmod -R o= ferry"
        ),
        None,
    ),
    (
        "health.unsynchronised",
        {},
        "no time server keeps this machine's clock: switch one on (on Debian: timedatectl set-ntp true)",
        None,
    ),
    (
        "sensor.no_depth",
        {"sensor": "S7", "tag": "FER-01", "number": 4},
        (
            "the sensor S7 is on FER-01 and its depth is unknown; take number 4 of its history back, and say "
            "how deep it is as you attach it again"
        ),
        None,
    ),
    (
        "sensor.on_nothing",
        {"sensor": "S7", "taken_utc": MARCH},
        (
            "the sensor S7 was on no timber at 2027-03-04 12:00; say where it was: Record work on that "
            "timber's page, Sensor attached, with the day of it (or `baulk timber attach TAG S7 --at TIME`)"
        ),
        None,
    ),
    (
        "meter.temperature",
        {"corrects": True},
        "the hand meter corrects for the wood's temperature by itself: its numbers are taken as shown",
        None,
    ),
    (
        "meter.temperature",
        {"corrects": False},
        "the hand meter does not correct for the wood's temperature: the forecasts do",
        None,
    ),
    (
        "meter.temperature",
        {"corrects": None},
        (
            "nobody knows whether the hand meter corrects for the wood's temperature: the forecasts do, "
            "with a wider range"
        ),
        None,
    ),
    (
        "meter.record",
        {"make": "Reedmouth M2", "number": "17", "species": "Douglas-fir", "top_pct": 30.0},
        "Reedmouth M2, number 17, set to Douglas-fir, its scale ends at 30 %",
        None,
    ),
    (
        "meter.record",
        {"make": "", "number": "", "species": "", "top_pct": None},
        "the hand meter, set to each timber's own wood",
        None,
    ),
]


@pytest.mark.parametrize(("code", "values", "inch", "metric"), TOLD)
def test_each_code_is_told_in_either_system(code, values, inch, metric):
    reason = Reason.from_json(Reason(code=code, values=values).to_json())
    assert text.sentence(reason, "inch") == inch
    assert text.sentence(reason, "metric") == (metric or inch)


def test_every_code_stands_in_the_table_above():
    assert {code for code, *_ in TOLD} == set(notices.SENTENCES)


def test_no_sentence_mixes_the_systems():
    for code, values, *_ in TOLD:
        reason = Reason(code=code, values=values)
        assert not re.search(r"\d (mm|kg|°C)\b", text.sentence(reason, "inch"))
        assert not re.search(r"\d (in|lb|°F)\b", text.sentence(reason, "metric"))


@pytest.mark.parametrize(
    ("what", "words"),
    [
        ("air/shed", "air sensor in shed"),
        ("timber/FER-01", "sensor on FER-01"),
        (PIN, "pins 51 mm deep in face b of FER-03"),
        ("FER-01, square", "FER-01, square"),
    ],
)
def test_what_a_notice_is_about_is_told_without_a_topic(what, words):
    assert notices.about(what, "metric") == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(1, "1 second"), (59 * 60, "59 minutes"), (30 * 3600, "30 hours"), (172_800, "2 days")],
)
def test_spans_of_time_are_said_in_one_unit(seconds, words):
    assert span(seconds) == span(-seconds) == words
