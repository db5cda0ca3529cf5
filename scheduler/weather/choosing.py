"""The sources of weather that a garden names, in its order, as one."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from random import Random

from scheduler.site.errors import WeatherUnavailable
from scheduler.weather.chain import ChainedWeather
from scheduler.weather.service import WeatherService
from scheduler.weather.weather_file import WeatherFile

NAMES = ("open-meteo", "met-norway", "us-weather", "file")


def weather_sources(
    names: Sequence[str],
    random: Random,
    *,
    contact: str = "",
    path: Path | str | None = None,
    base_urls: Mapping[str, str] | None = None,
    say: Callable[[str], object] = lambda _: None,
    note: Callable[[str], object] = lambda _: None,
) -> WeatherService:
    """One service for ``names`` in order. What goes on where all of them fail is ``without_network``'s.

    With Open-Meteo among them its ensemble's members come along, once a day. ``say`` hears of sources that
    failed, ``note`` of less. ``path`` is the weather file of "file"; ``base_urls`` puts a service elsewhere,
    by name. Raises ValueError for an unknown or repeated name, WeatherUnavailable for "file" without a path.
    """
    unknown = [n for n in names if n not in NAMES]
    if not names or unknown or len(set(names)) != len(names):
        raise ValueError(
            f"name each source once, out of {', '.join(NAMES)}; not {', '.join(names) or 'none'}"
        )
    elsewhere = base_urls or {}
    sources = [_source(n, random, contact, path, elsewhere.get(n), say) for n in names]
    service = sources[0] if len(sources) == 1 else ChainedWeather(sources, say=say)
    if "open-meteo" not in names:
        return service
    from scheduler.weather import members, open_meteo_ensemble

    # Where the forecast is put elsewhere, so is the ensemble: nobody is called that was not meant.
    base_url = elsewhere.get("open-meteo") or open_meteo_ensemble.BASE_URL
    ensemble = open_meteo_ensemble.OpenMeteoEnsemble(random, base_url=base_url)
    return members.WithMembers(service, ensemble, say=note)


def _source(
    name: str,
    random: Random,
    contact: str,
    path: Path | str | None,
    base_url: str | None,
    say: Callable[[str], object],
) -> WeatherService:
    """The clients are loaded where they are wanted: a garden with a weather file does without their 5 MB."""
    if name == "file":
        if path is None:
            raise WeatherUnavailable("no weather file is named; name one, or another source")
        return WeatherFile(path)
    if name == "met-norway":
        from scheduler.weather import met_norway

        return met_norway.MetNorway(random, contact, base_url=base_url or met_norway.BASE_URL, say=say)
    if name == "us-weather":
        from scheduler.weather import us_weather

        return us_weather.UsWeather(random, contact, base_url=base_url or us_weather.BASE_URL, say=say)
    from scheduler.weather import open_meteo

    return open_meteo.OpenMeteo(random, base_url=base_url or open_meteo.BASE_URL)
