"""The keys of the barrels in a site file: a part of the one table in ``sections``."""

from __future__ import annotations

from scheduler.site.fields import Field, Ident, Number, Quantity, Section, Table, Word

# These limits only catch slips of the pen (a millimetre for a metre): wider than any real garden.
HEIGHT = Quantity("length", -20.0, 20.0, "within 20 m of the datum")
LOSS = Number(0.0, 1000.0)
_SIZE = Quantity("length", 0.05, 5.0, "from 5 cm to 5 m")

TABLE_ROW = Section(
    "A row of a maker's table.",
    (
        Field("depth", _SIZE, "of the water above the inside bottom", required=True),
        Field(
            "volume",
            Quantity("volume", 0.0, 20000.0, "above 0, at most 20000 L", above_least=True),
            "that the barrel holds up to there",
            required=True,
        ),
    ),
)

BARREL = Section(
    "A barrel, inside measures. The first one carries the outlet; the others follow as they are linked.",
    (
        Field(
            "id", Ident(), "short name; with a count the barrels are called NAME-1, NAME-2 ...", required=True
        ),
        Field("count", Number(1, 100, whole=True), "so many equal barrels in a row", default=1),
        Field(
            "shape",
            Word(("upright", "lying", "box", "taper", "table")),
            "drum on its end, drum on its side, box, round with a sloping or bulged wall, or a maker's table",
            required=True,
        ),
        Field("base_height", HEIGHT, "middle of its inside bottom above the datum", required=True),
        Field(
            "height",
            _SIZE,
            "depth of water at which it overflows (if not given, lying: the diameter, table: its last row)",
        ),
        Field(
            "diameter",
            _SIZE,
            "inside diameter of a drum; of a taper, at its bottom",
            also_called=("bottom_diameter",),
        ),
        Field("top_diameter", _SIZE, "inside diameter of a taper where it overflows"),
        Field("middle_diameter", _SIZE, "of a taper with a bulge: half way up to the overflow"),
        Field("length", _SIZE, "inside length of a lying drum or a box"),
        Field("width", _SIZE, "inside width of a box"),
        Field(
            "tilt",
            Quantity("length", 0.0, 0.5, "from 0 to 50 cm", such_as="2 cm"),
            "not level: one side of the bottom stands so much higher (box and lying: one end)",
            default=0.0,
        ),
        Field("table", Table(TABLE_ROW, "list", "table = [ ... ]"), "depth and litres, as its maker gives"),
    ),
)

LINK = Section(
    "The joint between neighbouring barrels.",
    (
        Field(
            "bore",
            Quantity("length", 0.004, 0.3, "from 4 mm to 30 cm", such_as="25 mm"),
            "inside diameter",
            required=True,
        ),
        Field(
            "length", Quantity("length", 0.0, 20.0, "from 0 to 20 m"), "length of one joint", required=True
        ),
        Field("loss", LOSS, "loss factor K of its fittings", default=3.0),
    ),
)

TANK = Section(
    "All linked barrels, drawn at one outlet.",
    (
        Field("outlet_height", HEIGHT, "middle of the outlet above the datum", required=True),
        Field(
            "reserve",
            Quantity("volume", 0.0, 100000.0, "of 0 or more"),
            "held back above the outlet",
            required=True,
        ),
        Field(
            "barrel",
            Table(BARREL, "list", "[[tank.barrel]]"),
            "the barrels from the outlet on",
            required=True,
        ),
        Field("link", Table(LINK, header="[tank.link]"), "how they are joined"),
    ),
)
