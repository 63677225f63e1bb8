"""The weather at sites: outdoor air, sun, wind and barometer by season, hour, passing fronts and clouds.

In: climates, names of sites, a span of time, extremes. Out: columns [site, t]. May import: numpy, simulator.chance,
simulator.sun. Touches nothing.

Every value follows from the seed, the name and the time alone, so that any span gives the same values at the same
times. Sites of one climate lie in one region: the same fronts pass over them, with hours of their own on top. The
climates are invented; their numbers lie where those of real places of that kind lie. Fronts, clouds and wind were
shaped after the typical year of TMY3 station 723170 (the tests hold 'rolling-hills' against it).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from simulator.chance import SECOND_NS, Float64, Int64, Keys, even, keys, slow
from simulator.sun import DAY_NS, clear_sky, cosine_of_zenith, standard_pressure

HOUR_S = 3600.0
YEAR_NS = 365.2425 * DAY_NS
WINTER_NS = 20 * DAY_NS  # from 1 January to the middle of the cold half year, in the north; half a year on in the south
COLD_KNEE, COLD_ROOM = 1.4, 1.3  # standard deviations of fronts: from where cold tails off, and how far it still goes
WEIGHT_MIN = 0.02  # what a wandering still remembers of a knot that it then forgets
EXTREMES = ("cold_snap", "heat_wave", "storm", "still_fog")


@dataclass(frozen=True, slots=True)
class Climate:
    """What weather a place has.

    latitude, longitude: degrees, north and east positive. elevation_m: above the sea. mean: of the air over the year,
    Cel. season_amplitude, day_amplitude: half the way from coldest to warmest month, from coolest to warmest hour of an
    average day, K. front_sd: of the daily means about the season, K; front_hours: after which a front is forgotten to
    1/e. cloudiness: mean share of the sky. morning_cloud: how much more stratus and fog mornings bring, 0 none, 1 most.
    wind: mean at 10 m, m/s. pressure_sd: of the barometer, Pa. turbidity: Linke's, of the cloudless sky.
    """

    name: str
    latitude: float
    longitude: float
    elevation_m: float
    mean: float
    season_amplitude: float
    day_amplitude: float
    front_sd: float
    front_hours: float
    cloudiness: float
    wind: float
    pressure_sd: float
    morning_cloud: float = 0.0
    turbidity: float = 3.2


CLIMATES: Mapping[str, Climate] = {
    climate.name: climate
    for climate in (
        Climate("high-plain", 39.9, -104.2, 1600.0, 9.8, 12.0, 7.0, 5.0, 52.0, 0.45, 3.9, 620.0, turbidity=2.7),
        Climate("lakeside", 43.3, -79.4, 95.0, 8.3, 13.0, 4.2, 4.2, 58.0, 0.62, 4.2, 780.0),
        Climate("desert-basin", 33.5, -112.3, 350.0, 22.9, 10.5, 7.2, 3.0, 70.0, 0.27, 2.7, 420.0, turbidity=3.8),
        Climate("harbour-fog", 37.6, -122.6, 8.0, 13.4, 3.4, 3.3, 2.2, 60.0, 0.48, 4.3, 480.0, morning_cloud=0.8),
        Climate("north-valley", 62.3, -146.5, 140.0, 0.4, 17.6, 4.6, 5.6, 72.0, 0.62, 2.2, 950.0, turbidity=2.4),
        Climate("rolling-hills", 36.2, -79.8, 270.0, 14.4, 11.4, 4.8, 4.3, 52.0, 0.55, 3.0, 630.0, turbidity=3.6),
    )
}


@dataclass(frozen=True, slots=True)
class Extreme:
    """Weather out of the usual from a time to another, ns UTC; comes and goes over hours.

    kind, size: 'cold_snap' or 'heat_wave', K colder or warmer; 'storm', m/s more wind; 'still_fog', the share 0..1 of
    wind, sun and the day's swing that it takes away.
    """

    kind: str
    from_ns: int
    to_ns: int
    size: float

    def __post_init__(self) -> None:
        assert self.kind in EXTREMES, f"{self.kind} is none of {', '.join(EXTREMES)}"
        assert self.from_ns < self.to_ns, "an extreme ends after it begins"


@dataclass(frozen=True, slots=True)
class Weather:
    """Columns of weather, each [site, t], at time_ns [t].

    ambient_temperature: of the air in the shade, Cel. sun: global on level ground (a roof), W/m2. wind: at 10 m, m/s.
    atmospheric_pressure: Pa abs.
    """

    time_ns: Int64
    ambient_temperature: Float64
    sun: Float64
    wind: Float64
    atmospheric_pressure: Float64


def weather(
    climates: Sequence[Climate],
    site_ids: Sequence[str],
    *,
    seed: int,
    from_ns: int,
    to_ns: int,
    step_s: int = 60,
    extremes: Sequence[tuple[str, Extreme]] = (),
) -> Weather:
    """The weather of sites for from_ns <= time < to_ns.

    Args:
        climates, site_ids: one climate a site. step_s: whole seconds, counted from from_ns.
        extremes: what comes over which site, by its id.
    Returns: the same values at the same times whatever the span and the other sites.
    """
    assert len(climates) == len(site_ids), "a climate a site"
    time_ns = np.arange(from_ns, to_ns, step_s * SECOND_NS, dtype=np.int64)
    place = _place(climates, site_ids)
    front = _front(place, seed, time_ns)
    low = _low_pressure(place, seed, time_ns)
    cloud_of_day, cloud = _cloud(place, seed, time_ns, low)
    swing = _day_swing(place, time_ns, cloud_of_day)
    air = place.mean + place.season_amplitude * _season(place, time_ns) + front
    cosine = cosine_of_zenith(time_ns, place.latitude, place.longitude)
    sun = clear_sky(cosine, time_ns=time_ns, elevation_m=place.elevation_m, turbidity=place.turbidity)
    # Kasten and Czeplak 1980, Solar Energy 24: G = G0 (1 - 0.75 N^3.4) under a share N of cloud.
    sun *= 1.0 - 0.75 * cloud**3.4
    wind = _wind(place, seed, time_ns, low)
    pressure = _pressure(place, time_ns, low)
    for row, site_id in enumerate(site_ids):
        for site, extreme in extremes:
            if site == site_id:
                _come_over(extreme, time_ns, air[row], swing[row], sun[row], wind[row], pressure[row])
    return Weather(time_ns, air + swing, sun, wind, pressure)


@dataclass(frozen=True, slots=True)
class _Place:
    """The climates of sites as columns [site, 1], and what chance is keyed by."""

    latitude: Float64
    longitude: Float64
    elevation_m: Float64
    mean: Float64
    season_amplitude: Float64
    day_amplitude: Float64
    front_sd: Float64
    front_hours: Float64
    cloudiness: Float64
    morning_cloud: Float64
    wind: Float64
    pressure_sd: Float64
    turbidity: Float64
    hemisphere: Float64  # 1 north, -1 south
    regions: tuple[str, ...]
    sites: tuple[str, ...]


def _place(climates: Sequence[Climate], site_ids: Sequence[str]) -> _Place:
    def column(name: str) -> Float64:
        return np.array([[getattr(climate, name)] for climate in climates], np.float64)

    latitude = column("latitude")
    return _Place(
        latitude=latitude,
        longitude=column("longitude"),
        elevation_m=column("elevation_m"),
        mean=column("mean"),
        season_amplitude=column("season_amplitude"),
        day_amplitude=column("day_amplitude"),
        front_sd=column("front_sd"),
        front_hours=column("front_hours"),
        cloudiness=column("cloudiness"),
        morning_cloud=column("morning_cloud"),
        wind=column("wind"),
        pressure_sd=column("pressure_sd"),
        turbidity=column("turbidity"),
        hemisphere=np.where(latitude >= 0.0, 1.0, -1.0),
        regions=tuple(climate.name for climate in climates),
        sites=tuple(site_ids),
    )


def _wandering(key: Keys, time_ns: Int64, *, knot_s: float, memory_s: float | Float64) -> Float64:
    """A stationary wandering, mean 0, standard deviation near 1, correlation exp(-lag / memory), [key, t].

    A first-order autoregression at knots, straight between them, written as the weighted sum of the even numbers of
    the past knots, so that it can be begun anywhere. Weights under WEIGHT_MIN are left away.

    Args:
        memory_s: one for all or [key, 1], s.
    """
    memory = np.broadcast_to(np.asarray(memory_s, np.float64), key.shape)
    keep = np.exp(-knot_s / memory)
    first, last = int(time_ns[0] // int(knot_s * SECOND_NS)), int(time_ns[-1] // int(knot_s * SECOND_NS)) + 1
    depths = np.ceil(np.log(WEIGHT_MIN) / np.log(keep))  # each its own, or a row would hang on its neighbours
    depth = int(depths.max())
    news = even(key, np.arange(first - depth, last + 1, dtype=np.int64))
    knots = np.zeros((len(key), last - first + 1))
    weight = np.ones_like(keep)
    power = np.zeros_like(keep)
    for back in range(depth + 1):  # one by one, for sums by blocks would depend on the span
        knots += weight * news[:, depth - back : news.shape[1] - back]
        power += weight * weight
        weight = weight * keep * (back < depths)
    knots *= np.sqrt(3.0 / power)  # an even number over [-1, 1) has the variance 1/3
    knot, rest = np.divmod(time_ns, int(knot_s * SECOND_NS))
    part = rest / (knot_s * SECOND_NS)
    before: Float64 = knots[:, knot - first]
    return before + (knots[:, knot - first + 1] - before) * part


def _season(place: _Place, time_ns: Int64) -> Float64:
    """-1 in the middle of winter, 1 in the middle of summer, [site, t]."""
    year = np.mod(time_ns - WINTER_NS, int(YEAR_NS)) / YEAR_NS  # 1970 began on 1 January
    return -place.hemisphere * np.cos(2.0 * np.pi * year)


def _local_hour(place: _Place, time_ns: Int64) -> Float64:
    """Mean solar time, h, 0..24, [site, t]."""
    return np.mod(np.mod(time_ns, DAY_NS) / (SECOND_NS * HOUR_S) + place.longitude / 15.0, 24.0)


def _front(place: _Place, seed: int, time_ns: Int64) -> Float64:
    """What fronts add to the season, K; twice as much in winter as in summer, with a slow drift of whole weeks."""
    region = keys(seed, place.regions, "front")
    fronts = _wandering(region, time_ns, knot_s=4 * HOUR_S, memory_s=place.front_hours * HOUR_S)
    weeks = slow(keys(seed, place.regions, "weeks"), time_ns, knot_s=17 * 24 * HOUR_S)
    hours = _wandering(keys(seed, place.sites, "air"), time_ns, knot_s=1500.0, memory_s=1.7 * HOUR_S)
    size = place.front_sd * (1.0 - 0.45 * _season(place, time_ns))
    # Cold air goes further from the season's mean than warm air does: the squared term leans that way. It has a floor,
    # though: what radiates to the sky in a valley is met by what mixes down, so records lie a few kelvin under a
    # usual year's coldest hour, where an unbounded tail would bring what no populated place has seen (our choice).
    excess = 0.93 * (fronts - 0.12 * (fronts * fronts - 1.0)) + 0.45 * weeks
    beyond = np.maximum(-excess - COLD_KNEE, 0.0)
    return size * (excess + beyond - COLD_ROOM * np.tanh(beyond / COLD_ROOM)) + 0.5 * hours


def _low_pressure(place: _Place, seed: int, time_ns: Int64) -> Float64:
    """Passing lows (positive) and highs, standard deviation near 1; lows ride a little before cold, [site, t]."""
    own = _wandering(keys(seed, place.regions, "low"), time_ns, knot_s=3 * HOUR_S, memory_s=0.85 * 40 * HOUR_S)
    ahead = time_ns - int(14 * HOUR_S) * SECOND_NS
    warm = _wandering(keys(seed, place.regions, "front"), ahead, knot_s=4 * HOUR_S, memory_s=place.front_hours * HOUR_S)
    return 0.92 * own + 0.38 * warm


def _cloud(place: _Place, seed: int, time_ns: Int64, low: Float64) -> tuple[Float64, Float64]:
    """Share of the sky under cloud: without the clouds of the minute, and with them, 0..1, [site, t].

    The share is often near 0 or near 1 and seldom between: a wandering through a steep curve.
    """
    slow_part = _wandering(keys(seed, place.regions, "cloud"), time_ns, knot_s=2 * HOUR_S, memory_s=11 * HOUR_S)
    quick_part = _wandering(keys(seed, place.sites, "cloud"), time_ns, knot_s=900.0, memory_s=1.6 * HOUR_S)
    minutes = _wandering(keys(seed, place.sites, "minute cloud"), time_ns, knot_s=120.0, memory_s=300.0)
    hour = _local_hour(place, time_ns)
    morning = 1.4 * place.morning_cloud * np.cos(2.0 * np.pi * (hour - 7.0) / 24.0)
    bias = 2.2 * (place.cloudiness - 0.5) + 0.55 * low + morning
    of_day = 0.5 + 0.5 * np.tanh(1.3 * (bias + 0.85 * slow_part))
    cloud = 0.5 + 0.5 * np.tanh(1.6 * (bias + 0.8 * slow_part + 0.55 * quick_part + 0.3 * minutes))
    return of_day, cloud


def _day_swing(place: _Place, time_ns: Int64, cloud: Float64) -> Float64:
    """What the hour adds to the day's mean, K: coolest about sunrise, warmest three hours after noon, less under cloud.

    Two harmonics, their size and phase from the mean day of TMY3 723170.
    """
    angle = 2.0 * np.pi / 24.0 * (_local_hour(place, time_ns) - 14.6)
    shape = 0.98 * np.cos(angle) + 0.17 * np.cos(2.0 * (angle + 0.35))
    size = place.day_amplitude * (1.0 + 0.08 * _season(place, time_ns)) * (1.45 - 0.85 * cloud)
    return size * shape


def _wind(place: _Place, seed: int, time_ns: Int64, low: Float64) -> Float64:
    """Wind at 10 m, m/s: the exponential of a wandering, stronger by day and in lows, with gusts of minutes."""
    hours = _wandering(keys(seed, place.regions, "wind"), time_ns, knot_s=HOUR_S, memory_s=7 * HOUR_S)
    gusts = _wandering(keys(seed, place.sites, "gusts"), time_ns, knot_s=180.0, memory_s=420.0)
    day = 0.24 * np.cos(2.0 * np.pi * (_local_hour(place, time_ns) - 13.0) / 24.0)
    exponent = day + 0.46 * hours + 0.22 * gusts + 0.14 * low
    variance = 0.5 * (0.24**2 / 2.0 + 0.46**2 + 0.22**2 + 0.14**2)
    blowing: Float64 = place.wind * np.exp(exponent - variance)
    return blowing


def _pressure(place: _Place, time_ns: Int64, low: Float64) -> Float64:
    """Barometer of the place, Pa abs: its elevation's, lows and highs, deeper in winter, and the tide of the day.

    The tide has two waves a day, about 116 cos^3(latitude) Pa, greatest near 9:45 and 21:45 solar time.
    Source: Haurwitz 1956, The geographical distribution of the solar semidiurnal pressure oscillation (from memory).
    """
    standing = standard_pressure(place.elevation_m)
    tide = 116.0 * np.cos(np.radians(place.latitude)) ** 3
    hour = _local_hour(place, time_ns)
    waves = tide * np.cos(4.0 * np.pi * (hour - 9.75) / 24.0)
    lows = place.pressure_sd * (1.0 - 0.3 * _season(place, time_ns)) * low
    return standing + (waves - lows) * (standing / 101_325.0)


def _envelope(extreme: Extreme, time_ns: Int64) -> Float64:
    """0 outside, 1 within, soft over a third of its length or twelve hours, [t]."""
    ramp_ns = min((extreme.to_ns - extreme.from_ns) / 3.0, 12 * HOUR_S * SECOND_NS)
    part = np.clip(np.minimum(time_ns - extreme.from_ns, extreme.to_ns - time_ns) / ramp_ns, 0.0, 1.0)
    return part * part * (3.0 - 2.0 * part)


def _come_over(
    extreme: Extreme,
    time_ns: Int64,
    air: Float64,
    swing: Float64,
    sun: Float64,
    wind: Float64,
    pressure: Float64,
) -> None:
    """Change one site's rows [t] in place: highs with cold and with heat, lows with storms; fog stills all."""
    here = _envelope(extreme, time_ns)
    if extreme.kind == "cold_snap":
        air -= extreme.size * here
        pressure += 60.0 * extreme.size * here  # arctic highs: 10 hPa with some 17 K (from memory)
    elif extreme.kind == "heat_wave":
        air += extreme.size * here
        pressure += 20.0 * extreme.size * here
    elif extreme.kind == "storm":
        wind += here * (0.3 * wind + extreme.size)  # gusts grow with it
        pressure -= 100.0 * extreme.size * here
        sun *= 1.0 - 0.7 * here
        swing *= 1.0 - 0.5 * here
    else:
        share = min(extreme.size, 1.0) * here
        wind *= 1.0 - share
        sun *= 1.0 - 0.75 * share
        swing *= 1.0 - share
