"""What a rain gauge says over MQTT: its running count of tips, as ``{"tips": 1234}``.

Not signed: any small device can say it, under a broker's user of its own that may write nothing else. All it
can do is to keep water back, and never more than a day's rain of 300 mm would; a person's typed rain goes
before it.
"""

from __future__ import annotations

import json

from scheduler.link.messages import topic

# {"tips": 4294967295} and some air.
BYTES_MAX = 64
# A counter of 32 bits.
TIPS_MAX = 2**32 - 1


def rain_topic(site_id: str) -> str:
    return topic("rain", site_id)


def read_tips(payload: bytes) -> int | None:
    """The count, or None for what is none: never raises."""
    if len(payload) > BYTES_MAX:
        return None
    try:
        said = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    tips = said.get("tips") if isinstance(said, dict) else None
    if isinstance(tips, bool) or not isinstance(tips, int) or not 0 <= tips <= TIPS_MAX:
        return None
    return tips
