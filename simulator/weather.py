"""The weather at a site: outdoor air and sun, by season, hour, passing fronts and clouds.

In: places and times. Out: outdoor temperature, Cel, and sunshine, W/m2. May import: numpy, simulator.chance. Touches
nothing. The numbers are our own, chosen for a cool upland valley at 40 degrees north.
"""

from dataclasses import dataclass

import numpy as np

from simulator.chance import SECOND_NS, Float64, Int64, Keys, slow

DAY_S = 86_400.0
YEAR_S = 365.2425 * DAY_S


@dataclass(frozen=True, slots=True)
class Climate:
    """What weather a row of sites has; each array [site, 1].

    latitude, longitude: degrees. mean: of the year, Cel. front, cloud: keys of chance.
    """

    latitude: Float64
    longitude: Float64
    mean: Float64
    front: Keys
    cloud: Keys


def _season(time_s: Float64, coldest_day: float) -> Float64:
    """-1 at the coldest day of the year, 1 half a year later."""
    return -np.cos(2.0 * np.pi * (time_s / YEAR_S - coldest_day / 365.2425))


def _solar_hour_angle(climate: Climate, time_s: Float64) -> Float64:
    """0 at local noon, 2 pi a day."""
    return 2.0 * np.pi * (time_s / DAY_S + climate.longitude / 360.0 - 0.5)


def _day_swing(time_s: Float64) -> Float64:
    """Half the way from the coolest to the warmest hour, K; wider in summer."""
    return 4.6 + 1.2 * _season(time_s, coldest_day=20.0)


def coolest_of_night(climate: Climate, time_ns: Int64) -> Float64:
    """What the coolest hour of the day would have under the same front, Cel, [site, time]."""
    time_s = time_ns / SECOND_NS
    fronts = 3.2 * slow(climate.front, time_ns, knot_s=34 * 3600.0) + 0.8 * slow(climate.cloud, time_ns, knot_s=3600.0)
    return climate.mean + 10.0 * _season(time_s, coldest_day=20.0) + fronts - _day_swing(time_s)


def outdoor_temperature(climate: Climate, time_ns: Int64) -> Float64:
    """Air in the shade, Cel, [site, time]."""
    time_s = time_ns / SECOND_NS
    warmest = 2.0 * np.pi * 3.0 / 24.0  # three hours after noon
    day = np.cos(_solar_hour_angle(climate, time_s) - warmest)
    return coolest_of_night(climate, time_ns) + _day_swing(time_s) * (1.0 + day)


def sunshine(climate: Climate, time_ns: Int64) -> Float64:
    """On a level surface, W/m2, [site, time]."""
    time_s = time_ns / SECOND_NS
    declination = np.radians(23.44) * _season(time_s, coldest_day=-10.0)
    latitude = np.radians(climate.latitude)
    height = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(
        _solar_hour_angle(climate, time_s)
    )
    cloudiness = 0.5 + 0.5 * slow(climate.cloud, time_ns, knot_s=7 * 3600.0)
    clear: Float64 = 1000.0 * np.clip(height, 0.0, None) ** 1.15
    return clear * (1.0 - 0.75 * cloudiness)
