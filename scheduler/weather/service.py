"""What every source of weather is to the rest of the house."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Protocol

from scheduler.agronomy.weather import Outlook
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace

# Services renew their forecasts 4 times a day or oftener; what is older than two renewals is frozen.
OLDEST_TOLD = timedelta(hours=12)
# A clock may be a little off; a forecast from further in the future says that one is wrong.
AHEAD_ALLOWED = timedelta(minutes=15)


class WeatherService(Protocol):
    """Past days and days to come for one place."""

    name: str

    def fetch(self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime) -> Outlook:
        """The weather of ``past_days`` before ``today`` and of ``days`` days of which today is the first.

        ``today`` is the local day at ``place``, ``now`` the aware UTC time that the outlook is stamped with.
        Days or figures that the source does not know are left out or None. Raises WeatherUnavailable when
        there is nothing to be had, with a text for people.
        """
        ...


@dataclass(frozen=True, slots=True)
class Terms:
    """What a service asks of those who use it, in words for people. ``link`` is shown with the credit."""

    credit: str
    link: str
    use: str


# As the services' own pages of terms had it when this was written; the last one from memory.
TERMS: Mapping[str, Terms] = {
    "open-meteo": Terms(
        "Weather data by Open-Meteo.com (CC BY 4.0)",
        "https://open-meteo.com/",
        "Free for a household's own garden. Not free for work that is paid for, such as a fitter's "
        "service: that needs a subscription and its key.",
    ),
    "met-norway": Terms(
        "Data from MET Norway (NLOD 2.0, CC BY 4.0)",
        "https://api.met.no/doc/License",
        "Free, with the credit and the time of fetching shown. It wants an address to write to.",
    ),
    "us-weather": Terms(
        "Forecast by the US National Weather Service (public domain)",
        "https://www.weather.gov/",
        "Free. Land of the United States only. It wants an address to write to.",
    ),
}


def need_contact(service: str, contact: str) -> None:
    """Raises WeatherUnavailable where a service that wants an address would be called without one."""
    if not contact.strip():
        raise WeatherUnavailable(
            f"{service} wants to know whom to write to and would refuse the call; name a contact for it"
        )


def check_told(issued_at: datetime, now: datetime) -> None:
    """Raises WeatherUnavailable for a forecast that has stopped being renewed, or comes from the future."""
    age = now - issued_at
    if age > OLDEST_TOLD:
        hours, most = (t / timedelta(hours=1) for t in (age, OLDEST_TOLD))
        raise WeatherUnavailable(f"the weather service's forecast is {hours:.0f} h old, more than {most:g} h")
    if age < -AHEAD_ALLOWED:
        raise WeatherUnavailable(
            f"the weather service's forecast is of {issued_at:%Y-%m-%d %H:%M} UTC, after this machine's "
            "own time; check its clock"
        )
