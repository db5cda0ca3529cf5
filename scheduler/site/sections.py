"""Every key that a site file may have: the one table behind the reader and the schema."""

from __future__ import annotations

from scheduler.site.catalogue import KINDS, SOILS, search_kinds
from scheduler.site.fields import (
    Bearing,
    Day,
    Field,
    Flag,
    Ident,
    KindName,
    Number,
    Quantity,
    Section,
    Span,
    Table,
    Text,
    TimeOfDay,
    Word,
    Words,
    Zone,
    nearest,
)
from scheduler.site.model import LONGEST_OPEN_S
from scheduler.site.sections_tank import HEIGHT, LOSS, TANK

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
# A plant name that says on purpose that an emitter waters nothing.
NO_PLANT = "nothing"


# So many kinds are named for a word that means several.
HINTED_KINDS = 4


def kind_named(word: str) -> str | None:
    wanted = word.strip().lower()
    return next((k.key for k in KINDS.values() if wanted in (k.key, *k.names)), None)


def kind_hint(word: str) -> str | None:
    """For a word that several kinds have in their names, or that resembles none."""
    found = search_kinds(word) if word.strip() else ()
    if found:
        names = [k.key for k in found[:HINTED_KINDS]] + (["another"] if len(found) > HINTED_KINDS else [])
        which = (
            f"which kind is it, {' or '.join(names)}?" if len(names) > 1 else f"did you mean {names[0]!r}?"
        )
        return f"{which} See: fallinghead plants {word.strip().lower()}"
    if nearest(word, KINDS) is not None:
        return None
    return f"none of the {len(KINDS)} kinds is called so: list them all with: fallinghead plants"


def _soil_named(word: str) -> str | None:
    wanted = word.strip().lower()
    return next((s.key for s in SOILS.values() if wanted in (s.key, *s.names)), None)


# These limits only catch slips of the pen (a millimetre for a metre): wider than any real garden.
_DROP = Quantity("length", -10.0, 20.0, "from -10 m (above the outlet) to 20 m below it")
_ALONG = Quantity("length", 0.0, 500.0, "from 0 to 500 m")
_RUN = Quantity("length", 0.0, 500.0, "above 0, at most 500 m", above_least=True)
_BORE = Quantity("length", 0.002, 0.11, "from 2 mm to 11 cm", such_as="19 mm")
_FLOW = Quantity("flow", 0.0, 2000.0, "above 0, at most 2000 L/h", above_least=True)
_AT_HEAD = Quantity("head", 0.02, 60.0, "from 2 cm to 60 m")
_KV = Quantity("kv", 0.05, 500.0, "from 0.05 to 500 m3/h")
_CV = Quantity("cv", 0.05, 600.0, "from 0.05 to 600 gpm")
_TRAVEL = Quantity("duration", 0.1, 120.0, "from 0.1 s to 2 min")
_PLUS_SHARE = Quantity("share", 0.0, 1.0, "from 0 % to 100 %")
_SPREAD = Quantity("share", 0.0, 0.5, "from 0 % to 50 %", such_as="5 %")
_EXPONENT = Number(0.0, 1.5)

PLACE = Section(
    "Where the garden is, for the sun, the weather and the calendar.",
    (
        Field("latitude", Bearing("latitude"), "degrees with N or S", required=True),
        Field("longitude", Bearing("longitude"), "degrees with E or W", required=True),
        Field(
            "altitude",
            Quantity("length", -430.0, 6000.0, "from -430 m to 6000 m"),
            "above the sea",
            required=True,
        ),
        Field("timezone", Zone(), "name in the tz database", required=True),
        Field("coastal", Flag(), "close to a large sea: FAO-56 Eq 50 takes another factor", default=False),
        Field("arid", Flag(), "a dry climate: the dew point lies below the night's minimum", default=False),
    ),
)

FEED = Section(
    "What all water passes before the zone valves: outlet fitting, filter, hose.",
    (
        Field("bore", _BORE, "inside diameter of the hose", required=True),
        Field("length", Quantity("length", 0.0, 200.0, "from 0 to 200 m"), "of the hose", required=True),
        Field("filter_kv", _KV, "flow through the clean filter at 1 bar"),
        Field("filter_cv", _CV, "flow through the clean filter at 1 psi"),
        Field("loss", LOSS, "loss factor K of the outlet and its fittings", default=1.0),
    ),
)

VALVE = Section(
    "A motorised valve that needs no line pressure.",
    (
        Field("channel", Number(1, 4, whole=True), "motor driver of the valve node, 1 to 4", required=True),
        Field("kv", _KV, "flow when open at 1 bar (give this or cv)"),
        Field("cv", _CV, "flow when open at 1 psi (give this or kv)"),
        Field("opening", _TRAVEL, "travel time", required=True),
        Field("closing", _TRAVEL, "travel time", required=True),
    ),
)

EMITTER = Section(
    "A kind of emitter: flow = k * head ^ exponent.",
    (
        Field("form", Word(("bubbler", "inline")), "at a point, or built into the tube", required=True),
        Field("flow", _FLOW, "flow at the head given with it", required=True),
        Field("at_head", _AT_HEAD, "the head at which it gives that flow", required=True),
        Field("exponent", _EXPONENT, "0.5 an orifice, 1 laminar, 0 compensating", required=True),
        Field("spread", _SPREAD, "coefficient of variation of new ones", default=0.05),
        Field(
            "starts_at",
            Quantity("head", 0.0, 60.0, "from 0 to 60 m"),
            "head below which it gives nothing",
            default=0.0,
        ),
        Field("tested", Span(_AT_HEAD), "lowest and highest head at which its flow was measured"),
    ),
)

POINT = Section(
    "A place on the line, in the order of walking; with an emitter, or only to tell how the line lies.",
    (
        Field("at", _ALONG, "distance from the start of the line", required=True),
        Field("drop", _DROP, "below the barrel outlet; negative above it", required=True),
        Field("emitter", Ident(), "kind of emitter that sits here"),
        Field("plant", Ident(), f"plant that it waters, or {NO_PLANT!r}"),
        Field("id", Ident(), "name of the emitter; if not given PLANT-1, PLANT-2 ..."),
        Field("flow", _FLOW, "as trimmed here, instead of its kind's"),
        Field("at_head", _AT_HEAD, "head of that flow, if not its kind's"),
        Field("exponent", _EXPONENT, "as trimmed here, instead of its kind's"),
        Field("tested", Span(_AT_HEAD), "heads at which this one was measured"),
    ),
)

INLINE = Section(
    "Emitters built into the tube at even distances.",
    (
        Field("emitter", Ident(), "kind of emitter", required=True),
        Field("plant", Ident(), f"plant that they water, or {NO_PLANT!r}", required=True),
        Field(
            "every",
            Quantity("length", 0.01, 10.0, "from 1 cm to 10 m"),
            "distance between two",
            required=True,
        ),
        Field("first", _ALONG, "distance of the first from the start of the line", required=True),
        Field("count", Number(1, 500, whole=True), "how many (give this or last)"),
        Field("last", _ALONG, "none beyond this distance; if not given, the end of the line"),
    ),
)

LINE = Section(
    "A pipe or tube of one bore. Without 'from' it starts at the valve.",
    (
        Field("id", Ident(), "short name within the zone", required=True),
        Field("from", Ident(), "the line on which it begins"),
        Field("from_at", _ALONG, "where on that line"),
        Field("to", Ident(), "the line on which it also ends: a loop, fed from both ends"),
        Field("to_at", _ALONG, "where on that line"),
        Field("bore", _BORE, "inside diameter", required=True),
        Field("length", _RUN, "from end to end", required=True),
        Field("points", Table(POINT, "list", "points = [ ... ]"), "places along it, by rising distance"),
        Field("inline", Table(INLINE, "list", "inline = [ ... ]"), "emitters built into the tube"),
        Field("roughness", Quantity("length", 0.0, 0.002, "from 0 to 2 mm"), "of the wall", default=1.5e-6),
        Field("inlet_loss", LOSS, "loss factor K of its first fitting", default=0.5),
    ),
)

ZONE = Section(
    "Everything behind one valve.",
    (
        Field("id", Ident(), "short name", required=True),
        Field("name", Text(), "what people call it"),
        Field("valve", Table(VALVE, header="[zone.valve]"), "its valve", required=True),
        Field("line", Table(LINE, "list", "[[zone.line]]"), "its lines", required=True),
        Field("emptied", _PLUS_SHARE, "share of the lines' water that drains away between runs", default=0.3),
        Field(
            "winter_valve",
            Word(("half-open", "open", "shut")),
            "how its valve is left when the garden is drained for the winter",
            default="half-open",
        ),
    ),
)

_STAGE = Quantity("duration", 86_400.0, 400.0 * 86_400.0, "from 1 day to 400 days", such_as="30 days")
_KC = Number(0.05, 1.5)

KIND = Section(
    "A kind of plant that the catalogue lacks: like one of its kinds, but.",
    (
        Field("like", Word(tuple(KINDS), kind_named, kind_hint), "kind in the catalogue", required=True),
        Field("plant_factor", Number(0.01, 1.5), "share of reference ET all season (or kc_...)"),
        Field("kc_initial", _KC, "crop coefficient of FAO-56 in the initial stage"),
        Field("kc_mid", _KC, "crop coefficient in mid-season"),
        Field("kc_end", _KC, "crop coefficient at the end of the late stage"),
        Field("initial", _STAGE, "length of the initial stage"),
        Field("development", _STAGE, "length of the development stage"),
        Field("mid", _STAGE, "length of mid-season"),
        Field("late", _STAGE, "length of the late stage"),
        Field("root_depth", Quantity("length", 0.05, 3.0, "from 5 cm to 3 m"), "of the roots"),
        Field(
            "readily_available",
            Quantity("share", 0.1, 0.8, "from 10 % to 80 %", such_as="50 %"),
            "share of the soil's water that it uses before it suffers (depletion fraction p)",
        ),
        Field("young_tree", Flag(), "a tree or shrub, watered by age until it is established"),
    ),
)

PLANT = Section(
    "A plant, or a row that is watered as one.",
    (
        Field("id", Ident(), "short name", required=True),
        Field("name", Text(), "what people call it"),
        Field(
            "kind",
            KindName(tuple(KINDS)),
            "kind in the plant catalogue, or one of [kind.NAME]",
            required=True,
        ),
        Field("canopy", Quantity("area", 0.0, 1000.0, "above 0", above_least=True), "ground shaded at noon"),
        Field(
            "canopy_diameter",
            Quantity("length", 0.0, 30.0, "above 0, at most 30 m", above_least=True),
            "of a round canopy, instead of its area",
        ),
        Field(
            "rank", Number(1, 99, whole=True), "1 is watered first when there is not enough", required=True
        ),
        Field("planted", Day(), "day of planting or sowing"),
        Field("soil", Word(tuple(SOILS), _soil_named), "soil class (give this or container)"),
        Field("container", Quantity("volume", 0.2, 5000.0, "from 0.2 L to 5000 L"), "volume of its pot"),
        Field("root_depth", Quantity("length", 0.05, 3.0, "from 5 cm to 3 m"), "instead of the catalogue's"),
        Field("plant_factor", Number(0.01, 1.5), "share of reference ET, instead of the catalogue's"),
        Field(
            "trunk",
            Quantity("length", 0.002, 1.0, "from 2 mm to 1 m", such_as="3 cm"),
            "diameter of the trunk, young trees",
        ),
        Field("established", Day(), "until then a young tree or shrub is watered by age"),
    ),
)

ROOF = Section(
    "The roof that feeds the barrels.",
    (
        Field(
            "catchment",
            Quantity("area", 0.1, 10000.0, "from 0.1 m2 on"),
            "plan area, not the slope",
            required=True,
        ),
        Field("runoff", _PLUS_SHARE, "share of the rain that reaches the barrels", default=0.85),
        Field(
            "first_flush", Quantity("rain", 0.0, 10.0, "from 0 to 10 mm"), "lost on each wet day", default=0.5
        ),
    ),
)

SENSOR = Section(
    "The level sensor at the valve node.",
    (
        Field("kind", Word(("echo", "pressure", "float")), "how it measures", required=True),
        Field("barrel", Ident(), "the barrel it hangs in; if not given, the one with the outlet"),
        Field(
            "mount_height",
            HEIGHT,
            "above the datum: the echo face, the pressure cell, or the surface at which a float reads zero",
            required=True,
        ),
        Field(
            "scale",
            Quantity("length", 1e-6, 0.5, "from 0.001 mm to 50 cm", such_as="0.5 mm"),
            "level per count, not for an echo sensor",
        ),
        Field(
            "noise",
            Quantity("length", 0.0001, 0.1, "from 0.1 mm to 10 cm", such_as="4 mm"),
            "scatter of one reading",
            required=True,
        ),
        Field(
            "blanking",
            Quantity("length", 0.0, 1.0, "from 0 to 1 m", such_as="3 cm"),
            "an echo sensor is blind closer than this",
            default=0.0,
        ),
        Field(
            "interval",
            Quantity("duration", 10.0, 3600.0, "from 10 s to 1 h", such_as="5 min"),
            "between readings",
            default=300.0,
        ),
    ),
)

RAIN_GAUGE = Section(
    "A tipping rain gauge in the garden that tells its count over MQTT.",
    (
        Field(
            "tip",
            Quantity("rain", 0.05, 5.0, "from 0.05 to 5 mm"),
            "rain that fills its spoon once, from its maker or a poured measure",
            required=True,
        ),
    ),
)

FORECAST_SERVICES = ("open-meteo", "met-norway", "us-weather", "file")

FORECAST = Section(
    "Where the weather comes from.",
    (
        Field("service", Word(FORECAST_SERVICES), "forecast service", required=True),
        Field("then", Words(FORECAST_SERVICES), "asked in this order where that fails", default=()),
        Field("contact", Text(), "whom met-norway and us-weather may write to: a mail address", default=""),
        Field("path", Text(), 'the weather file, where "file" is a service'),
        Field(
            "refresh",
            Quantity("duration", 3600.0, 86400.0, "from 1 h to 24 h", such_as="6 h"),
            "between fetches",
            default=21600.0,
        ),
    ),
)

WINDOW = Section(
    "When watering may happen, in local time. May pass midnight.",
    (
        Field("from", TimeOfDay(), "runs start from here on", required=True),
        Field("to", TimeOfDay("08:00"), "and have ended by here", required=True),
        Field("days", Words(DAYS), "on which it begins; if not given, every day", default=DAYS),
    ),
)

PERSON = Section(
    "Somebody to tell. The address itself is a secret and stands elsewhere under the name of the channel.",
    (
        Field("name", Text(), "who", required=True),
        Field("channel", Ident(), "name under which the service finds the address", required=True),
        Field("urgent_only", Flag(), "only what cannot wait", default=False),
        Field("wakes", TimeOfDay(), "what can wait is told from here on; without it 08:00"),
        Field("sleeps", TimeOfDay(), "and until here; without it 21:00"),
        Field("while_away", Flag(), "a helper, told only while the household is away", default=False),
    ),
)

NODE = Section(
    "The microcontroller at the valves.",
    (
        Field("id", Ident(), "its name in messages", required=True),
        Field(
            "longest_open",
            Quantity("duration", 60.0, 86400.0, "from 1 min to 24 h", such_as="2 h"),
            "set in the node too",
            default=LONGEST_OPEN_S,
        ),
        Field(
            "heartbeat",
            Quantity("duration", 10.0, 3600.0, "from 10 s to 1 h", such_as="5 min"),
            "between its reports",
            default=300.0,
        ),
        Field(
            "meter_pulse",
            Quantity("volume", 0.0001, 100.0, "from 0.0001 L to 100 L"),
            "the water of one pulse of the flow meter behind the outlet, where one is fitted",
        ),
    ),
)

BROKER = Section(
    "The MQTT broker. Its user and password are secrets and stand elsewhere.",
    (
        Field("host", Text(), "name or address", default="127.0.0.1"),
        Field("port", Number(1, 65535, whole=True), "port", default=1883),
        Field("tls", Flag(), "encrypted", default=False),
    ),
)

SITE = Section(
    "A garden watered by gravity from rain barrels.",
    (
        Field("id", Ident(), "short name of the garden, used in messages", required=True),
        Field("name", Text(), "what people call it"),
        Field("units", Word(("metric", "us")), "units in which figures are shown", required=True),
        Field("place", Table(PLACE, header="[place]"), "where it is", required=True),
        Field("tank", Table(TANK, header="[tank]"), "the barrels", required=True),
        Field("feed", Table(FEED, header="[feed]"), "from the outlet to the valves", required=True),
        Field(
            "emitter", Table(EMITTER, "named", "[emitter.NAME]"), "kinds of emitter, by name", required=True
        ),
        Field("zone", Table(ZONE, "list", "[[zone]]"), "the zones", required=True),
        Field("plant", Table(PLANT, "list", "[[plant]]"), "the plants", required=True),
        Field("kind", Table(KIND, "named", "[kind.NAME]"), "kinds of plant beside the catalogue's, by name"),
        Field("roof", Table(ROOF, header="[roof]"), "the roof that feeds the barrels"),
        Field("sensor", Table(SENSOR, header="[sensor]"), "the level sensor"),
        Field("rain_gauge", Table(RAIN_GAUGE, header="[rain_gauge]"), "a rain gauge of the garden's own"),
        Field("forecast", Table(FORECAST, header="[forecast]"), "the forecast; a garden on paper needs none"),
        Field("window", Table(WINDOW, "list", "[[window]]"), "when watering may happen", required=True),
        Field("person", Table(PERSON, "list", "[[person]]"), "people to tell"),
        Field("node", Table(NODE, header="[node]"), "the valve node; a garden on paper needs none"),
        Field("broker", Table(BROKER, header="[broker]"), "the message broker"),
    ),
)
