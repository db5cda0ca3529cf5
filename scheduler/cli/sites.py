"""Which site file and store a command means, and the small words people use for levels and dates."""

from __future__ import annotations

import os
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING

from scheduler.site.errors import UsageError

if TYPE_CHECKING:
    from scheduler.agronomy.weather import DayWeather
    from scheduler.planning.garden import GardenModel
    from scheduler.site.model import GardenPlace, Site
    from scheduler.store.store import Store

SITE_VARIABLE = "FALLINGHEAD_SITE"
SITE_PLACES = (Path("site.toml"), Path("/etc/fallinghead/site.toml"))
SITE_HELP = (
    f"Site file, or the name of a shipped example. Without it: what {SITE_VARIABLE} names, else "
    f"{SITE_PLACES[0]} in this folder, else {SITE_PLACES[1]}."
)

IN_MEMORY = "sqlite://"
PAST_HELP = "CSV of past years' weather here: date,tmin_c,tmax_c,rain_mm,...; or seattle-2012."


def find_site(given: str | None) -> Site:
    """The site of a path, of a shipped example, or of the running service."""
    from scheduler.site.examples import EXAMPLES, example_site
    from scheduler.site.reading import read_site

    if given is not None:
        if not Path(given).exists() and given in EXAMPLES:
            return example_site(given)
        if not Path(given).exists() and (near := get_close_matches(given, EXAMPLES, 1)):
            raise UsageError(f"there is no file {given!r}; did you mean the example {near[0]!r}?")
        return read_site(Path(given))
    place = service_site()
    # A practice of an example that was kept is looked at under the example's name.
    if not place.exists() and str(place) in EXAMPLES:
        return example_site(str(place))
    return read_site(place)


def service_site() -> Path:
    """The site file of the running service. UsageError: none was found."""
    named = os.environ.get(SITE_VARIABLE)
    if named:
        return Path(named)
    for place in SITE_PLACES:
        if place.exists():
            return place
    looked = ", ".join(str(p) for p in SITE_PLACES)
    raise UsageError(
        f"no site file was named and none was found ({SITE_VARIABLE} is not set; looked for {looked}). "
        "Name one, or print an example to start from: fallinghead example five-drums > site.toml"
    )


def store_of(garden: Site) -> Store:
    """What the service of a garden keeps, to read from. StoreError: there is none."""
    from scheduler.service.places import site_store_path
    from scheduler.store.store import Store, store_url

    return Store(store_url(site_store_path(garden.id)), garden.id, service=False)


def tests_of(garden: Site) -> Store:
    """The garden's store to read tests from; an empty one in memory where none was made, so that asking makes
    none."""
    from scheduler.service.places import site_store_path
    from scheduler.store.store import Store, store_url

    path = site_store_path(garden.id)
    if path.exists():
        return Store(store_url(path), garden.id, service=False)
    return Store(IN_MEMORY, garden.id)


def read_level(text: str, model: GardenModel) -> float:
    """A level above the outlet in metres from "80 cm", "full", "half" or "low"."""
    from scheduler.site.quantities import parse
    from scheduler.site.showing import show_length
    from scheduler.survey.levels import LEVEL_SHARES

    brim_m = model.stage.brim_level_m
    shares = dict(LEVEL_SHARES)
    word = text.strip().lower()
    if word in shares:
        return shares[word] * brim_m
    level_m = parse(text, "length")
    if not 0.0 <= level_m <= brim_m + 0.001:
        raise UsageError(
            f"read level {text!r}; it is counted from the outlet upwards and lies between 0 and the brim "
            f"at {show_length(brim_m, model.site.units)} (or say full, half, low)"
        )
    return min(level_m, brim_m)


def read_weather(given: str, place: GardenPlace) -> tuple[DayWeather, ...]:
    """The days of a CSV file or of a packaged summer; what cannot be weather at ``place`` is None."""
    from scheduler.weather.possible import possible_days
    from scheduler.weather.weather_file import PACKAGED, packaged_weather, read_weather_csv

    if given in PACKAGED and not Path(given).exists():
        return packaged_weather(given)
    return possible_days(read_weather_csv(Path(given)), place)


def read_date(text: str, what: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"read {what} {text!r}; write it as year-month-day, such as 2012-07-01") from None


def read_price(text: str) -> float:
    """Price of a litre from "2.90 per m3" or "9.50 per 1000 gal". UsageError for anything else."""
    from scheduler.site.errors import QuantityError, UsageError
    from scheduler.site.quantities import parse

    price, per, volume = text.partition("per")
    volume = volume.strip()
    try:
        litres = parse(volume if volume[:1].isdigit() else f"1 {volume}", "volume")
        amount = float(price)
    except (QuantityError, ValueError):
        litres, amount = 0.0, 0.0
    if not per or litres <= 0.0 or not 0.0 <= amount < float("inf"):
        raise UsageError(f'read --price {text!r}; write it as "2.90 per m3" or "9.50 per 1000 gal"')
    return amount / litres
