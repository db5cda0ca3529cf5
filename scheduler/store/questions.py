"""The questions of a start and of each look at the requests, as statements made once: to put one together and
to find its key in SQLAlchemy's cache costs several times more than SQLite takes to answer it.

``site``, ``first`` (a local day), ``count`` and ``name`` are given when a question is asked.
"""

from __future__ import annotations

from datetime import date

import sqlalchemy as sa

from scheduler.store import tables as t

_SITE: sa.BindParameter[str] = sa.bindparam("site")
_FIRST: sa.BindParameter[date] = sa.bindparam("first")

_BOOKED = sa.exists().where(
    t.bookings.c.site == t.intents.c.site, t.bookings.c.order_id == t.intents.c.order_id
)
OPEN_INTENTS = sa.select(t.intents).where(t.intents.c.site == _SITE, ~_BOOKED).order_by(t.intents.c.id)
BOOKINGS = (
    sa.select(t.bookings)
    .where(t.bookings.c.site == _SITE, t.bookings.c.day >= _FIRST)
    .order_by(t.bookings.c.id)
)
BOOKED_LITRES = (
    sa.select(t.booked_litres)
    .join(t.bookings)
    .where(t.bookings.c.site == _SITE, t.bookings.c.day >= _FIRST)
    .order_by(t.booked_litres.c.booking_id)
)
BOOKED_IDS = (
    sa.select(t.bookings.c.order_id)
    .where(t.bookings.c.site == _SITE)
    .order_by(t.bookings.c.id.desc())
    .limit(sa.bindparam("count"))
)
LAST_WATERED = (
    sa.select(t.booked_litres.c.plant, sa.func.max(t.bookings.c.day))
    .join(t.bookings)
    .where(t.bookings.c.site == _SITE, t.booked_litres.c.given_l > 0)
    .group_by(t.booked_litres.c.plant)
)
GIVEN = (
    sa.select(t.bookings.c.day, t.booked_litres.c.plant, t.booked_litres.c.given_l)
    .join(t.bookings)
    .where(t.bookings.c.site == _SITE, t.bookings.c.day >= _FIRST)
    .order_by(t.bookings.c.id, t.booked_litres.c.plant)
)
GIVEN_BY_HAND = (
    sa.select(t.hand_water.c.day, t.hand_water.c.plant, t.hand_water.c.litres)
    .where(t.hand_water.c.site == _SITE, t.hand_water.c.day >= _FIRST, t.hand_water.c.kind == "gave")
    .order_by(t.hand_water.c.request_id)
)
HAND_WATER = (
    sa.select(t.hand_water)
    .where(t.hand_water.c.site == _SITE, t.hand_water.c.day >= _FIRST)
    .order_by(t.hand_water.c.request_id)
)

LAST_BALANCED = sa.select(sa.func.max(t.days.c.day)).where(t.days.c.site == _SITE)
WEATHER = (
    sa.select(t.days.c.weather).where(t.days.c.site == _SITE, t.days.c.day >= _FIRST).order_by(t.days.c.day)
)
WATER_DAYS = (
    sa.select(t.water_days)
    .where(t.water_days.c.site == _SITE, t.water_days.c.day >= _FIRST)
    .order_by(t.water_days.c.day)
)
ROOT_ZONES = (
    sa.select(t.root_zones)
    .where(t.root_zones.c.site == _SITE, t.root_zones.c.day >= _FIRST)
    .order_by(t.root_zones.c.day, t.root_zones.c.plant)
)
_newest_zones = (
    sa.select(t.root_zones.c.plant, sa.func.max(t.root_zones.c.day).label("day"))
    .where(t.root_zones.c.site == _SITE)
    .group_by(t.root_zones.c.plant)
    .subquery()
)
LAST_ROOT_ZONES = (
    sa.select(t.root_zones)
    .join(
        _newest_zones,
        sa.and_(t.root_zones.c.plant == _newest_zones.c.plant, t.root_zones.c.day == _newest_zones.c.day),
    )
    .where(t.root_zones.c.site == _SITE)
    .order_by(t.root_zones.c.plant)
)

_NEWEST_PLANS = (
    sa.select(sa.func.max(t.plans.c.id))
    .where(t.plans.c.site == _SITE, t.plans.c.day >= _FIRST)
    .group_by(t.plans.c.day)
)
# Of a plan made before leaks were counted in it is NULL.
PLANNED_LEAKS = (
    sa.select(t.plans.c.day, sa.func.json_extract(t.plans.c.plan, "$.store.leak_l"))
    .where(t.plans.c.id.in_(_NEWEST_PLANS))
    .order_by(t.plans.c.day)
)

_NEWEST_LEARNING = (
    sa.select(sa.func.max(t.learning.c.id)).where(t.learning.c.site == _SITE).group_by(t.learning.c.zone)
)
LAST_LEARNING = sa.select(t.learning).where(t.learning.c.id.in_(_NEWEST_LEARNING)).order_by(t.learning.c.zone)
LAST_CALIBRATION = (
    sa.select(t.calibrations)
    .where(t.calibrations.c.site == _SITE)
    .order_by(t.calibrations.c.id.desc())
    .limit(1)
)
LAST_OUTLOOK = sa.select(t.outlooks.c.outlook).where(t.outlooks.c.site == _SITE)
MARK = sa.select(t.marks.c.value).where(t.marks.c.site == _SITE, t.marks.c.name == sa.bindparam("name"))
TEST_COUNT = sa.select(sa.func.count()).select_from(t.test_records).where(t.test_records.c.site == _SITE)

_ANSWERED = sa.exists().where(t.answers.c.request_id == t.requests.c.id)
UNANSWERED = sa.select(t.requests).where(t.requests.c.site == _SITE, ~_ANSWERED).order_by(t.requests.c.id)
LAST_STOP = sa.select(t.stops).where(t.stops.c.site == _SITE).order_by(t.stops.c.id.desc()).limit(1)
_NEWEST_HOLDS = sa.select(sa.func.max(t.holds.c.id)).where(t.holds.c.site == _SITE).group_by(t.holds.c.zone)
HOLDS = sa.select(t.holds).where(t.holds.c.id.in_(_NEWEST_HOLDS)).order_by(t.holds.c.zone)
TYPED_RAIN = (
    sa.select(t.typed_rain.c.day, t.typed_rain.c.rain_mm)
    .where(t.typed_rain.c.site == _SITE, t.typed_rain.c.day >= _FIRST)
    .order_by(t.typed_rain.c.id)
)
# The names of marks that keep what a person chose begin so.
CHOICE_MARK = "choice "
CHOICES = (
    sa.select(t.marks.c.value)
    .where(t.marks.c.site == _SITE, t.marks.c.name.startswith(CHOICE_MARK))
    .order_by(t.marks.c.name)
)


def _newest_alerts(*also: sa.ColumnElement[bool]) -> sa.Select[tuple[object, ...]]:
    """Of one raised again only the last raising, oldest first."""
    newest = (
        sa.select(sa.func.max(t.alerts.c.id))
        .where(t.alerts.c.site == _SITE, *also)
        .group_by(t.alerts.c.kind, t.alerts.c.subject)
    )
    return sa.select(t.alerts).where(t.alerts.c.id.in_(newest)).order_by(t.alerts.c.id)


LAST_ALERTS = _newest_alerts()
OPEN_ALERTS = _newest_alerts(t.alerts.c.cleared_at.is_(None))
