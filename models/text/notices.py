"""Notices and findings about sensors, in the reader's units."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from baulk.models import formatting
from baulk.models.formatting import count, day, share
from baulk.models.quantity import Quantity
from baulk.models.text.common import pct, span
from baulk.models.text.events import quantity
from baulk.models.text.sensors import check, warmer
from baulk.models.text.series import named
from baulk.models.units import System

Values = Mapping[str, Any]
_DONE: Final = {"square": "squared", "rough out": "roughed out"}


def about(what: str, system: System) -> str:
    """Return what a notice is about in words: a series or a sensor; anything else is its own name."""
    if what.count("/") == 1 and what.startswith(("timber/", "air/")):
        return _sensor(what)
    return named(what, system)


def _sensor(what: str) -> str:
    owner, name = what.split("/")
    return f"air sensor in {name}" if owner == "air" else f"sensor on {name}"


def _ready(held: Values, _system: System) -> str:
    return f"{held['tag']} can be {_DONE[held['step']]} now"


def _slipped(held: Values, _system: System) -> str:
    return (
        f"{held['tag']} is expected {count(held['days'], 'day')} later than before: "
        f"{formatting.about(held['expected_utc'], None)}"
    )


def _no_date(held: Values, _system: System) -> str:
    return f"{held['tag']} is no longer expected to be ready to square within two years"


def _check_risk(held: Values, _system: System) -> str:
    from_utc = held.get("from_utc")  # notices of earlier versions have none
    when = "dries faster" if from_utc is None else f"will by {day(from_utc)} dry faster"
    return (
        f"the surface of {held['tag']} {when} than the mildest published safe start: "
        "raise the humidity, cover it or move it out of draught and sun"
    )


def _contradiction(held: Values, _system: System) -> str:
    return (
        f"scale and pins of {held['tag']} contradict each other since {day(held['since_utc'])}: the mean is "
        f"{pct(held['scale_mean_pct'])} by the scale and {pct(held['pins_mean_pct'])} by the pins. "
        "Do not saw it before one test has shown which is right; its verdict says what to check"
    )


def _suspected(held: Values, system: System) -> str:
    return (
        f"the {named(held['series'], system)} no longer agree with the other readings, "
        "as if they drifted or were in other wood. Check the pins, or drive new ones beside them"
    )


def _mould(held: Values, _system: System) -> str:
    return (
        f"the air of {held['place']} was damp enough for mould in {share(held['share'])} of the last four "
        "weeks (Hukka & Viitanen 1999): move air over wet faces and look at them; wear a mask if mould has "
        "grown"
    )


def _air_departed(held: Values, _system: System) -> str:
    moved = held["change_pct"]
    way = "more" if moved > 0 else "less"
    return (
        f"the air of {held['place']} holds {abs(moved):.0f} % {way} vapour beside the other places than "
        "weeks ago, as if its humidity sensor drifted or the room were used in another way. Hold the sensor "
        "beside another for a day"
    )


def _temp_departed(held: Values, system: System) -> str:
    return (
        f"the {named(held['series'], system)} shows {warmer(held['warmer_k'], system)} beside the "
        f"{held['count']} others in its place than weeks ago, as if it drifted, or sun or a heater reached "
        f"it: {check('temperature', system)}"
    )


def _of_sensor(held: Values, system: System) -> str:
    return f"the {about(held['about'], system)}"


def _silent(held: Values, system: System) -> str:
    usual = f", usually every {span(held['usual_s'])}" if held["usual_s"] else ""
    return (
        f"nothing has come from {_of_sensor(held, system)} for {span(held['silent_s'])}{usual}: "
        "check its battery, its radio and the broker"
    )


def _battery(held: Values, system: System) -> str:
    level = (
        f"{held['volts']:.2f} V, was {held['best_volts']:.2f} V"
        if "volts" in held
        else f"{held['charge_pct']:.0f} %"
    )
    return f"the battery of {_of_sensor(held, system)} is down to {level}: change it"


def _clock(held: Values, system: System) -> str:
    ahead = f": {span(held['ahead_s'])} ahead" if held["ahead_s"] else ""
    return f"the clock of {_of_sensor(held, system)} is wrong{ahead}. Set it, or let the sensor send no time"


def _drift(held: Values) -> str:
    drift = held["drift_s_day"]
    return f", {abs(drift):.0f} s more {'behind' if drift > 0 else 'ahead'} each day" if drift else ""


def _device_clock(held: Values, system: System) -> str:
    behind_s = held["behind_s"]
    off = f"{formatting.hours_minutes(behind_s)} {'behind' if behind_s > 0 else 'ahead'}"
    why = ", as with another time zone or summer time" if held["is_whole"] else _drift(held)
    since = f"{held['since_utc']:%Y-%m-%d %H:%M}"
    told = f"the clock of {_of_sensor(held, system)} is {off} since {since}{why}"
    if held["is_corrected"]:
        return f"{told}: its readings are moved by that; set it (what it sent is kept: `baulk sensor clock`)"
    if behind_s < 0:
        return f"{told}: set it"
    return (
        f"{told}, or what it sends comes that late: set it, or say with `baulk sensor clock` "
        "whether its times are right"
    )


def _clock_runs(held: Values, _system: System) -> str:
    behind_s = held["behind_s"]
    if abs(behind_s) >= 3600:
        return f"comes {formatting.hours_minutes(behind_s)} late"
    if abs(behind_s) < 1:
        return f"right to the second{_drift(held)}"
    off = (
        f"{abs(behind_s):.0f} s {'behind' if behind_s >= 0 else 'ahead'}"
        if abs(behind_s) < 120
        else (f"{formatting.hours_minutes(behind_s)} {'behind' if behind_s > 0 else 'ahead'}")
    )
    return f"at most {off}{_drift(held)}"


def _host_clock(held: Values, _system: System) -> str:
    ahead_s, devices = held["ahead_s"], count(held["devices"], "sensor")
    way = "ahead" if ahead_s > 0 else "behind"
    return (
        f"this machine's clock is {span(ahead_s)} {way}, as {devices} agree, whose times are believed: "
        "set it, then `baulk reading decode-again` puts earlier readings right"
    )


def _stuck(held: Values, system: System) -> str:
    shown = quantity(Quantity(held["quantity"]), held["value"], held["unit"], system, system)
    return (
        f"the {named(held['series'], system)} has been {shown} for two days: the sensor is stuck or wet, or "
        "its last message is repeated"
    )


def _quarantine(held: Values, _system: System) -> str:
    return (
        f"{count(held['messages'], 'message')} could not be stored: see why under Messages not understood, "
        "correct the cause and try them again"
    )


def _session(held: Values, _system: System) -> str:
    return (
        "the broker no longer knew the listener when it came back at "
        f"{held['until_utc']:%Y-%m-%d %H:%M}: what sensors sent since "
        f"{held['since_utc']:%Y-%m-%d %H:%M} and was not fetched is lost. The broker may have "
        "lost its memory, the listener may have been away for longer than session_days, or another program "
        "took its client id: set the broker up as deploy/mosquitto tells"
    )


def _forwarder(held: Values, _system: System) -> str:
    name, found = held["name"], []
    if held["silent_s"] is not None:
        found.append(
            f"nothing was heard of the forwarder {name} for {span(held['silent_s'])}: look after its "
            f"link; when it was heard last {count(held['waiting'], 'message')} waited there"
        )
    if held["used_pct"] is not None:
        left = "" if held["days"] is None else f", enough for {count(round(held['days']), 'day')}"
        found.append(
            f"the room of the forwarder {name} is {held['used_pct']:.0f} % full{left}: repair its link, or "
            "raise spool_mb in its [forward]"
        )
    if held["refused"]:
        found.append(
            f"{count(held['refused'], 'message')} of the forwarder {name} are not taken by the shop's "
            "broker: map their topic ([[source]]), and give its account the right (`baulk sensor accounts`)"
        )
    return "; ".join(found)


def _certificate(held: Values, _system: System) -> str:
    return (
        f"the certificate of the broker at {held['broker']} ends on {day(held['until_utc'])}: "
        "make a new one (deploy/tls/make), or no sensor and no listener will connect"
    )


def _behind(held: Values, _system: System) -> str:
    tags, more = held["tags"], held["more"]
    some = ", ".join(tags) + (f" and {more} more" if more else "")
    return (
        f"the verdict of {some} is older than the latest readings: forecasts are slow or not running; start "
        "them where Baulk is installed (`baulk serve`)"
    )


def _no_depth(held: Values, _system: System) -> str:
    return (
        f"the sensor {held['sensor']} is on {held['tag']} and its depth is unknown; take number "
        f"{held['number']} of its history back, and say how deep it is as you attach it again"
    )


def _on_nothing(held: Values, _system: System) -> str:
    return (
        f"the sensor {held['sensor']} was on no timber at {held['taken_utc']:%Y-%m-%d %H:%M}; "
        "say where it was: Record work on that timber's page, Sensor attached, with the day of it (or "
        f"`baulk timber attach TAG {held['sensor']} --at TIME`)"
    )


def _meter(held: Values, _system: System) -> str:
    return {
        True: "the hand meter corrects for the wood's temperature by itself: its numbers are taken as shown",
        False: "the hand meter does not correct for the wood's temperature: the forecasts do",
        None: "nobody knows whether the hand meter corrects for the wood's temperature: the forecasts do, "
        "with a wider range",
    }[held["corrects"]]


def _meter_record(held: Values, _system: System) -> str:
    make = held["make"] or "the hand meter"
    said = f"{make}, number {held['number']}" if held["number"] else make
    told = f"set to {held['species']}" if held["species"] else "set to each timber's own wood"
    top = "" if held["top_pct"] is None else f", its scale ends at {held['top_pct']:g} %"
    return f"{said}, {told}{top}"


def _megabytes(mb: float) -> str:
    return f"{mb / 1000:.2g} GB" if mb >= 1000 else f"{mb:.0f} MB"


def _disk(held: Values, _system: System) -> str:
    return (
        f"the disk of {held['folder']} has about {_megabytes(held['free_mb'])} left, and "
        f"{_megabytes(held['needed_mb'])} should be free: make room, move the shop to a larger disk, or "
        "have old sensor readings thinned ([store] thin_after_days). A full disk loses no reading, but "
        "takes none either"
    )


def _disk_weeks(held: Values, _system: System) -> str:
    return (
        f"the disk of {held['folder']} is full in about {count(held['weeks'], 'week')}: it grows by "
        f"{_megabytes(held['mb_a_week'])} a week and about {_megabytes(held['free_mb'])} are left. Make "
        "room, or have old sensor readings thinned ([store] thin_after_days)"
    )


def _backup(held: Values, _system: System) -> str:
    last = held["last_utc"]
    since = "there has been none yet" if last is None else f"the last one is of {day(last)}"
    return (
        f"the night's backup into {held['folder']} fails, {since}: see that the disk is there and has room, "
        f"then try it by hand with `baulk backup -o {held['folder']}`, which says what is wrong. "
        "Where that works, Baulk runs as a service that may not write there: deploy/systemd tells how it "
        "is let in"
    )


def _files(held: Values, _system: System) -> str:
    more = f" and {held['more']} more" if held["more"] else ""
    return (
        f"other users of this machine may read or change {', '.join(held['files'])}{more} of the shop; "
        f"run: chmod -R o= {held['folder']}"
    )


def _stopped(held: Values, _system: System) -> str:
    return (
        f"no forecast and no night's work since {day(held['since_utc'])}: start them where "
        "Baulk is installed (`baulk serve`)"
    )


def _unsynchronised(_held: Values, _system: System) -> str:
    return "no time server keeps this machine's clock: switch one on (on Debian: timedatectl set-ntp true)"


def _backup_beside(held: Values, _system: System) -> str:
    return (
        f"the night's backups go to {held['folder']}, on the disk that holds the shop, and would be lost "
        "with it: plug in and mount the disk that is meant to be there, or name a folder on another disk, "
        "backup_dir in [store] of baulk.toml"
    )


def _no_backup(_held: Values, _system: System) -> str:
    return "no backup is made at night: name a folder on another disk, backup_dir in [store] of baulk.toml"


SENTENCES: Final[Mapping[str, Callable[[Values, System], str]]] = {
    "notice.ready": _ready,
    "notice.slipped": _slipped,
    "notice.no_date": _no_date,
    "notice.check_risk": _check_risk,
    "notice.contradiction": _contradiction,
    "notice.suspected_pins": _suspected,
    "notice.mould": _mould,
    "notice.air_departed": _air_departed,
    "notice.temp_departed": _temp_departed,
    "health.silent": _silent,
    "health.battery": _battery,
    "health.clock": _clock,
    "health.device_clock": _device_clock,
    "health.clock_runs": _clock_runs,
    "health.host_clock": _host_clock,
    "health.stuck": _stuck,
    "health.quarantine": _quarantine,
    "health.session": _session,
    "health.certificate": _certificate,
    "health.forwarder": _forwarder,
    "health.behind": _behind,
    "health.stopped": _stopped,
    "health.disk": _disk,
    "health.disk_weeks": _disk_weeks,
    "health.backup": _backup,
    "health.no_backup": _no_backup,
    "health.backup_beside": _backup_beside,
    "health.files": _files,
    "health.unsynchronised": _unsynchronised,
    "sensor.no_depth": _no_depth,
    "sensor.on_nothing": _on_nothing,
    "meter.temperature": _meter,
    "meter.record": _meter_record,
}
