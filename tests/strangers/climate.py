"""Weather from blocks of real hours: cut from typical-year files, laid in another order, stretched to other climates.

In: a span, a place. Out: air, sun, wind, barometer and damp on the grid of stretches. May import: numpy, pandas, pvlib
(for the two files it carries), tests.strangers. Reads those two files.

Method: block bootstrap. A block of 3 to 9 days is taken from the same season of the source year and joined to the one
before by a cross-fade, so that fronts and calm spells keep their real shape but never come in a known order. The smooth
year is taken out of the temperatures before and another one put in after.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from scipy.signal import lfilter

from tests.strangers.draws import Array, Rng, between, log_between
from tests.strangers.span import STRETCHES_A_DAY, Span

FADE_HOURS = 8
AIR_LEAST_CEL, AIR_GREATEST_CEL = -44.0, 49.0  # inside what the program takes for plausible outdoors, -50..55
SOURCES = ("723170TYA.CSV", "703165TY.csv")  # a mild inland year; a windy island year in the north


@dataclass(frozen=True, slots=True)
class Climate:
    """One kind of climate; all our choice, from memory of such places.

    mean, season: of the year's air and half its swing, Cel, K. weather: factor on what is left when the smooth year is
    taken out. day: factor on the swing within a day. height: m, range. south: seasons the other way round.
    """

    mean: float
    season: float
    weather: float
    day: float
    source: int
    height: tuple[float, float] = (0.0, 300.0)
    south: bool = False
    zones: tuple[tuple[str, float, float], ...] = (("Etc/UTC", 0.0, 45.0),)


CLIMATES: dict[str, Climate] = {
    "desert": Climate(25.0, 10.0, 1.0, 1.6, 0, (0, 900), zones=(("America/Phoenix", -7, 33), ("Asia/Riyadh", 3, 25))),
    "continental": Climate(
        1.0, 19.0, 1.35, 1.0, 0, (100, 700), zones=(("America/Winnipeg", -6, 50), ("Asia/Almaty", 5, 44))
    ),
    "maritime": Climate(9.5, 5.5, 0.9, 0.8, 1, zones=(("Europe/Dublin", 0, 53), ("Europe/Oslo", 1, 60))),
    "tropical": Climate(27.0, 1.6, 0.35, 0.6, 0, zones=(("Asia/Singapore", 8, 1.3), ("America/Bogota", -5, 5))),
    "temperate": Climate(12.0, 11.0, 1.0, 1.0, 0, zones=(("America/New_York", -5, 41), ("Europe/Vienna", 1, 48))),
    "highland": Climate(6.0, 11.0, 1.15, 1.5, 0, (1600, 3200), zones=(("America/Denver", -7, 40),)),
    "southern": Climate(
        15.0, 7.0, 0.9, 1.1, 0, south=True, zones=(("Australia/Adelaide", 9.5, -35), ("America/Santiago", -4, -33))
    ),
    "arctic coast": Climate(-6.0, 12.0, 1.2, 0.6, 1, zones=(("America/Anchorage", -9, 64),)),
}


@dataclass(frozen=True, slots=True)
class Weather:
    """Weather of one unit, each shape [stretch].

    air: outdoors in the shade, Cel. sun: on level ground, W/m2. wind: m/s. barometer: Pa absolute. damp: relative
    humidity, 0..1.
    """

    air: Array
    sun: Array
    wind: Array
    barometer: Array
    damp: Array


@cache
def _source(number: int) -> dict[str, Array]:
    """Hours of a source year, by name; air without its smooth year and day, kept apart. Shapes [365, 24]."""
    import pandas as pd
    import pvlib  # type: ignore[import-untyped]

    path = Path(pvlib.__file__).parent / "data" / SOURCES[number]
    table = pd.read_csv(path, skiprows=1)
    named = {"air": "Dry-bulb (C)", "sun": "GHI (W/m^2)", "wind": "Wspd (m/s)", "barometer": "Pressure (mbar)"}
    hours = {name: table[column].to_numpy(float).reshape(365, 24) for name, column in named.items()}
    hours["damp"] = table["RHum (%)"].to_numpy(float).reshape(365, 24) / 100.0
    daily = hours["air"].mean(axis=1)
    angle = 2 * np.pi * np.arange(365) / 365
    waves = np.stack([np.ones(365), np.cos(angle), np.sin(angle)], axis=1)
    smooth = waves @ np.linalg.lstsq(waves, daily, rcond=None)[0]
    hours["front"] = np.repeat((daily - smooth)[:, None], 24, axis=1)  # how far the day is off the season
    hours["within"] = hours["air"] - daily[:, None]  # how far the hour is off its day
    return hours


def draw_weather(rng: Rng, climate: Climate, *, span: Span, utc_offset_h: float, height_m: float) -> Weather:
    """Weather of one place.

    Args:
        rng: the place's own.
        climate: its kind.
        utc_offset_h: h, local standard time minus UTC.
        height_m: m over the sea.
    """
    days = _days_laid(rng, span, climate)
    hours = _source(climate.source)
    pressures = _source(0)  # the other file's barometer is a constant
    local = np.arange(span.days * 24)
    season_day = (span.first.timetuple().tm_yday + np.arange(span.days) + (182 if climate.south else 0)) % 365
    phase = 2 * np.pi * (season_day - 200) / 365  # warmest about 20 July in the north, from memory
    smooth_year = climate.mean + between(rng, -2.0, 2.0) + climate.season * between(rng, 0.9, 1.1) * np.cos(phase)
    swing = {name: _joined(hours[name], days) for name in ("front", "within", "sun", "wind", "damp")}
    smooth_hours = np.interp(local / 24.0, np.arange(span.days) + 0.5, smooth_year)
    air = smooth_hours + climate.weather * swing["front"] + climate.day * swing["within"]
    air += _fronts(rng, span.days * 24, strength_k=climate.weather * 6.0)
    base = 101_325.0 * (1 - 2.25577e-5 * height_m) ** 5.25588  # ISO 2533
    source_base = float(pressures["barometer"].mean())
    barometer = base * (
        1 + (_joined(pressures["barometer"], days) - source_base) / source_base * between(rng, 0.8, 1.5)
    )
    cloud = between(rng, 0.8, 1.15)
    finer = _finer(span, utc_offset_h)
    ripple = _ripple(rng, span.stretches)
    return Weather(
        air=np.clip(finer(air) + 0.35 * ripple, AIR_LEAST_CEL, AIR_GREATEST_CEL),
        sun=np.clip(finer(swing["sun"] * cloud) * (1 + 0.25 * _ripple(rng, span.stretches)), 0.0, 1150.0),
        wind=np.clip(finer(swing["wind"]) * log_between(rng, 0.6, 1.5) * (1 + 0.3 * ripple), 0.0, 28.0),
        barometer=finer(barometer) + 8.0 * _ripple(rng, span.stretches),
        damp=np.clip(finer(swing["damp"]), 0.05, 1.0),
    )


def _days_laid(rng: Rng, span: Span, climate: Climate) -> Array:
    """Which day of the source year lies on each day of the run, shape [day]."""
    first = span.first.timetuple().tm_yday - 1 + (182 if climate.south else 0)
    laid: list[int] = []
    while len(laid) < span.days:
        begin = first + len(laid) + int(rng.integers(-18, 19))
        laid += [(begin + step) % 365 for step in range(int(rng.integers(3, 10)))]
    return np.array(laid[: span.days])


def _joined(hours: Array, days: Array) -> Array:
    """Hours of the days laid, cross-faded where a block begins, shape [hour]."""
    laid = hours[days]
    for day in np.flatnonzero(np.diff(days) % 365 != 1) + 1:
        kept = hours[(days[day - 1] + 1) % 365, :FADE_HOURS]  # what the old block would have gone on with
        share = (np.arange(FADE_HOURS) + 1.0) / (FADE_HOURS + 1.0)
        laid[day, :FADE_HOURS] = share * laid[day, :FADE_HOURS] + (1 - share) * kept
    return np.asarray(laid).ravel()


def _fronts(rng: Rng, hours: int, *, strength_k: float) -> Array:
    """Further cold and warm fronts: quick to come, slow to fade, K, shape [hour]."""
    jumps = np.zeros(hours)
    for _ in range(rng.poisson(hours / (24 * 25))):
        begin, length = int(rng.integers(hours)), int(rng.integers(3, 12))
        jumps[begin : begin + length] += rng.choice([-1.0, -1.0, 1.0]) * strength_k * rng.gamma(2.0, 0.5) / length
    keep = np.exp(-1 / between(rng, 20.0, 60.0))
    return np.asarray(lfilter([1.0], [1.0, -keep], jumps))


def _finer(span: Span, utc_offset_h: float) -> Callable[[Array], Array]:
    """A function from local hours to UTC stretches."""
    at = np.arange(span.stretches) * (24.0 / STRETCHES_A_DAY) + utc_offset_h
    return lambda hours: np.interp(at, np.arange(len(hours)) + 0.5, hours)


def _ripple(rng: Rng, count: int) -> Array:
    """Unit-variance noise that lasts about an hour, shape [count]."""
    keep = 0.85
    return np.asarray(lfilter([np.sqrt(1 - keep**2)], [1.0, -keep], rng.standard_normal(count)))
