"""A new shop folder with its settings: a baulk.toml in which every line says what it is for."""

from __future__ import annotations

import json
import os
import secrets
from pathlib import Path

from pydantic import (
    ValidationError,
)

from baulk.ingest.config import FILE, ShopPart, sentence_of, slugify
from baulk.ingest.errors import ConfigError


def write_new(shop_dir: Path | str, *, name: str, units: str = "metric") -> Path:
    """Make a shop folder with its baulk.toml. Nothing that is there already is changed."""
    folder = Path(shop_dir).expanduser().absolute()
    path = folder / FILE
    if path.exists():
        raise ConfigError(f"{folder} is a shop folder already; edit its {FILE}, or name another folder")
    try:
        shop = ShopPart.model_validate({"name": name, "units": units})
    except ValidationError as err:
        raise ConfigError(f"a new shop{sentence_of(err)}") from err
    text = _TEMPLATE.format(
        name=json.dumps(shop.name, ensure_ascii=False).replace("\x7f", ""),
        topic=slugify(shop.name),
        client_id=f"baulk-{slugify(shop.name)}"[:48] + f"-{secrets.token_hex(6)}",
        units=shop.units,
        temperature="F" if shop.units == "inch" else "C",
    )
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        number = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(number, "w", encoding="utf-8") as file:
            file.write(text)
    except OSError as err:
        raise ConfigError(f"the shop folder {folder} can't be made: {err.strerror}") from err
    return folder


_TEMPLATE = """\
# Settings of this shop. Every line may be left out; what stands here is the default.

[shop]
name = {name}
topic = "{topic}"          # sensors publish to baulk/v1/{topic}/timber/TAG and baulk/v1/{topic}/air/PLACE
units = "{units}"          # inch or metric
temperature = "{temperature}"
# zone = "Europe/Lisbon"   # of times that people write without one; this machine's if left out

[broker]
host = "127.0.0.1"
port = 1883
client_id = "{client_id}"   # the listener's name at the broker, random; keep it secret
# user = "baulk-{{part}}"    # an account for each part of Baulk; the password: BAULK_BROKER_PASSWORD
# tls = true
# ca_file = "ca.pem"
# devices_at = "mqtts://broker.local:8883"   # as devices reach the broker, if not as Baulk does
# share = "yard"           # several listeners take turns: baulk listen --number 1, --number 2
# spool_mb = 500           # room for messages while the store's server is away

# [forward]                # on a machine at a yard far away: baulk forward sends what comes there
# host = "shop.example"    # the shop's broker; user, tls as above, the password: BAULK_FORWARD_PASSWORD
# name = "shed"            # of this forwarder, the same as its account at the shop's broker
# topics = ["scales/#"]    # beside the shop's own level and those of [[source]]
# spool_mb = 2000          # room for what waits for the link

[store]
kind = "sqlite"            # or "postgres", "influx": see deploy/postgres and deploy/influxdb
path = "shop.db"
# thin_after_days = 730    # older sensor readings are thinned at night; never readings by hand, never weights
# thin_to = "hourly"       # or "daily"
# quarantine_mb = 200      # room for what could not be stored; the oldest of the worst sender go first
# quarantine_days = 400
# messages_days = 28       # messages stay as they came, to be decoded again: baulk reading decode-again
# messages_mb = 500
# backup_dir = "/mnt/usb/baulk"   # a backup every night, the last 14 stay; another disk than this one

[verdict]
probability = 0.9          # how sure it must be before a piece may be squared, 0.5 to below 1
build_days = 365           # how long a squared piece lives in the shop's air before it goes into service

# [costs]                    # in your own money; `baulk plan choices` says then what each choice costs
# hour = 40                  # an hour of work
# coat_m2 = 8                # coat for a square metre

# [learning]
# from_yard = true           # a timber's forecast leans on what the others of the yard have taught

# [dashboard]
# port = 8501
# host = "127.0.0.1"         # anything else needs a password: baulk password
# cert_file = "pages.pem"    # TLS, which a phone's camera needs
# key_file = "pages-key.pem"
# url = "http://yard.local:8501"   # as phones reach the pages; printed in the codes of labels

# [notices]                  # addresses of messengers: notices.urls beside this file, or BAULK_NOTICE_URLS
# quiet_from = "21:00"
# quiet_to = "07:00"
# without = ["stuck value"]

# [announce]                 # timbers and air plans show up by themselves in home automation, by discovery
# prefix = "discovery"       # as set there; without it nothing is announced

# Uses are a table; rows of your own, or corrected ones, go into a use_classes.csv beside this file.

# The air to expect where the shop's own record is short, January first:
# [climate]
# temp_c = [3, 4, 8, 13, 18, 22, 24, 24, 20, 14, 9, 5]
# rh_pct = [68, 66, 64, 62, 68, 70, 73, 75, 75, 72, 69, 69]

# A meter set to another wood, or corrected by two oven-dried pieces (pins need neither to be read):
# [[meter]]
# series = "timber/*/pin-*/moisture"
# set_to = "Douglas-fir"     # without pins: kind = "capacitance" and set_to_kg_m3
# shown_pct = [10, 20]
# true_pct = [11, 23]
# corrects_temperature = true   # by itself, or set to the wood's temperature before each reading
# by_hand = true             # only for readings by hand; `baulk reading meter` keeps an answer without this

# A sensor that does not speak SenML:
# [[source]]
# topic = "sensors/+/climate"
# format = "json"            # or "plain": the payload is one number
# value = "readings.temperature"
# quantity = "temp"
# unit = "degF"              # declared, never guessed
# place = "{{1}}"              # the second level of the topic

# A data logger whose CSV files are brought in: baulk reading import FILE.csv --logger shed
# [[logger]]
# name = "shed"
# time = "Date/Time"         # heading of the column; time_format = "iso", "unix_s" or "%d/%m/%Y %H:%M"
# zone = "Europe/Lisbon"     # of times without an offset; "+00:00" if the logger keeps no summer time
# columns = {{ "Temp (C)" = "air/shed/temp:degC", "RH (%)" = "air/shed/humidity:percent" }}
"""
