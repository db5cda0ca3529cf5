"""Which time zone was probably meant by a name that the tz database does not have."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

# From here on two names of cities are one misspelt (ours: "Los_Angles", not "Seattle" for "Belem").
_SAME_CITY = 0.8
# Regions whose zones are named after cities; those named after a country ("Canada/Pacific") tell of no other.
_OF_CITIES = frozenset(
    (
        "africa",
        "america",
        "antarctica",
        "arctic",
        "asia",
        "atlantic",
        "australia",
        "europe",
        "indian",
        "pacific",
    )
)
# What people of the US call their times, as the file "backward" of the tz database links US/...
_US_TIMES = {
    "eastern": "America/New_York",
    "central": "America/Chicago",
    "mountain": "America/Denver",
    "pacific": "America/Los_Angeles",
    "alaska": "America/Anchorage",
    "hawaii": "Pacific/Honolulu",
}
# Ends of such a name that add nothing.
_TIME_WORDS = ("_standard_time", "_daylight_time", "_time")
# Rectangles that lie within the US but for a few miles: south, north, west, east, degrees (drawn by us,
# crudely: who is left out gets no guess).
_US_DEG = (
    (32.6, 49.0, -124.8, -95.2),
    (31.5, 32.6, -111.3, -108.2),
    (28.0, 32.6, -100.2, -95.2),
    (29.8, 46.4, -95.2, -83.2),
    (24.5, 30.5, -83.2, -80.0),
    (30.5, 42.0, -83.2, -66.9),
    (42.0, 43.6, -79.0, -66.9),
    (43.6, 45.0, -75.0, -66.9),
    (55.0, 71.5, -168.0, -141.1),
    (18.8, 22.3, -160.3, -154.8),
)
_NO_SUCH_ZONE = (
    "there is no time zone of this name: write the region and the city that its time is named after, "
    'such as "America/Los_Angeles" for Pacific time'
)


def zone_remedy(value: object, latitude_deg: float | None = None, longitude_deg: float | None = None) -> str:
    """What to write in place of ``value``; the degrees are the garden's, north and east, None: not known."""
    if isinstance(value, str):
        guess = _guess(value.strip().lower().replace(" ", "_"), latitude_deg, longitude_deg)
        if guess:
            return f"did you mean {guess!r}?"
    return _NO_SUCH_ZONE


def _guess(word: str, latitude_deg: float | None, longitude_deg: float | None) -> str | None:
    from zoneinfo import available_timezones

    name = next((word.removesuffix(end) for end in _TIME_WORDS if word.endswith(end)), word)
    if name.removeprefix("us/") != name:  # a name that not every machine's tz database has
        return _US_TIMES.get(name.removeprefix("us/"))
    if name in _US_TIMES:  # elsewhere too a time may be called so: Canada has most of them
        return _US_TIMES[name] if _in_the_us(latitude_deg, longitude_deg) else None
    return _zone_of_city(word, available_timezones())


def _in_the_us(latitude_deg: float | None, longitude_deg: float | None) -> bool:
    if latitude_deg is None or longitude_deg is None:
        return False
    return any(s <= latitude_deg <= n and w <= longitude_deg <= e for s, n, w, e in _US_DEG)


def _zone_of_city(word: str, zones: Iterable[str]) -> str | None:
    """The time zone whose city was probably meant, the one of the region given first."""
    region, _, city = word.rpartition("/")
    by_city: dict[str, str] = {}
    # Of zones named alike the region given goes first, then the plain names of the continents.
    for name in sorted(zones, key=lambda z: (not z.lower().startswith(f"{region}/"), "/" not in z, z)):
        start = name.lower().partition("/")[0]
        if "/" not in name or start in _OF_CITIES or region == start:
            by_city.setdefault(name.rpartition("/")[2].lower(), name)
    found = get_close_matches(city, by_city, n=1, cutoff=_SAME_CITY)
    return by_city[found[0]] if found else None
