"""A straight line through readings that come one by one, older ones fading: sums only, no history."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

# Weight, in readings, of the sensor's stated noise against the scatter seen; common practice, no source.
PRIOR_READINGS = 8.0


@dataclass(frozen=True, slots=True)
class Line:
    """The fitted line at one instant."""

    level_m: float
    level_sd_m: float
    slope_m_h: float
    slope_sd_m_h: float
    n: int


class Trend(NamedTuple):
    """Weighted sums over (t in h since ``origin``, level in m). ``fade_h`` None: nothing fades."""

    fade_h: float | None = None
    origin: datetime | None = None
    first: datetime | None = None
    last: datetime | None = None
    n: int = 0
    w: float = 0.0
    wt: float = 0.0
    wtt: float = 0.0
    wy: float = 0.0
    wty: float = 0.0
    wyy: float = 0.0
    w2: float = 0.0
    w2t: float = 0.0
    w2tt: float = 0.0

    def add(self, at: datetime, level_m: float) -> Trend:
        """With one more reading, later than the others."""
        origin = self.origin or at
        t = (at - origin).total_seconds() / 3600.0
        keep = 1.0
        if self.fade_h is not None and self.last is not None:
            keep = math.exp(-(at - self.last).total_seconds() / 3600.0 / self.fade_h)
        keep2 = keep * keep
        return Trend(
            self.fade_h,
            origin,
            self.first or at,
            at,
            self.n + 1,
            w=self.w * keep + 1.0,
            wt=self.wt * keep + t,
            wtt=self.wtt * keep + t * t,
            wy=self.wy * keep + level_m,
            wty=self.wty * keep + t * level_m,
            wyy=self.wyy * keep + level_m * level_m,
            w2=self.w2 * keep2 + 1.0,
            w2t=self.w2t * keep2 + t,
            w2tt=self.w2tt * keep2 + t * t,
        )

    @property
    def span_h(self) -> float:
        """From the first reading to the last, hours."""
        if self.first is None or self.last is None:
            return 0.0
        return (self.last - self.first).total_seconds() / 3600.0

    @property
    def centre_h(self) -> float:
        """Weighted mean time of the readings, h since ``origin``."""
        return self.wt / self.w

    def line_at(self, at: datetime, noise_m: float) -> Line | None:
        """The line at ``at``; None below three readings or without any spread in time.

        Weighted least squares; the variances are those of equally noisy readings under these weights
        (sum of squared influence), with the scatter pooled with the stated ``noise_m``.
        """
        if self.n < 3 or self.origin is None:
            return None
        mean_t, mean_y = self.wt / self.w, self.wy / self.w
        stt = self.wtt - self.w * mean_t * mean_t
        if stt <= 1e-12:
            return None
        sty = self.wty - self.w * mean_t * mean_y
        slope = sty / stt
        variance = self._scatter(noise_m, stt, sty)
        u = (at - self.origin).total_seconds() / 3600.0 - mean_t
        # Influence of reading i on the value at u: w_i (1/W + u (t_i - mean_t)/Stt).
        q0 = self.w2
        q1 = self.w2t - mean_t * self.w2
        q2 = self.w2tt - 2.0 * mean_t * self.w2t + mean_t * mean_t * self.w2
        a, b = 1.0 / self.w, u / stt
        level_var = variance * max(0.0, a * a * q0 + 2.0 * a * b * q1 + b * b * q2)
        slope_var = variance * max(0.0, q2) / (stt * stt)
        return Line(mean_y + slope * u, math.sqrt(level_var), slope, math.sqrt(slope_var), self.n)

    def mean(self, noise_m: float) -> tuple[float, float] | None:
        """Weighted mean level and its sd, m."""
        if self.n == 0:
            return None
        return self.wy / self.w, noise_m * math.sqrt(self.w2) / self.w

    def _scatter(self, noise_m: float, stt: float, sty: float) -> float:
        mean_y = self.wy / self.w
        rss = max(0.0, self.wyy - self.w * mean_y * mean_y - sty * sty / stt)
        effective = self.w * self.w / self.w2
        freedom = max(0.0, effective - 2.0)
        share = rss / self.w * effective
        return (PRIOR_READINGS * noise_m * noise_m + share) / (PRIOR_READINGS + freedom)
