"""The sun over a place: where it stands, and what a cloudless sky lets through to level ground.

In: times and places. Out: angles, degrees, and irradiance, W/m2. May import: numpy, simulator.chance. Touches nothing.

Sources: position by J. J. Michalsky, The Astronomical Almanac's algorithm for approximate solar position (1950-2050),
Solar Energy 40(3), 1988, good to 0.01 degree; irradiance by P. Ineichen and R. Perez, A new airmass independent
formulation for the Linke turbidity coefficient, Solar Energy 73(3), 2002; air mass by F. Kasten and A. T. Young,
Applied Optics 28, 1989; distance of the sun by J. W. Spencer, Search 2, 1971. The constants are from memory; the tests
in tests/reference hold them against pvlib.
"""

import numpy as np

from simulator.chance import SECOND_NS, Float64, Int64

DAY_NS = 86_400 * SECOND_NS
J2000_NS = 946_728_000 * SECOND_NS  # 2000-01-01 12:00 UTC, from which the almanac counts its days
SOLAR_CONSTANT = 1366.1  # W/m2, ASTM E490
SEA_LEVEL_PA = 101_325.0


def standard_pressure(elevation_m: Float64) -> Float64:
    """Pa abs that air has at an elevation on an average day, any shape.

    p = 101325 (1 - 2.25577e-5 h)^5.25588. Source: ISO 2533, standard atmosphere (from memory).
    """
    pressure: Float64 = SEA_LEVEL_PA * (1.0 - 2.25577e-5 * elevation_m) ** 5.25588
    return pressure


def cosine_of_zenith(time_ns: Int64, latitude: Float64, longitude: Float64) -> Float64:
    """How high the sun stands, without refraction: 1 straight above, 0 on the horizon, below 0 at night.

    cos z = sin(phi) sin(delta) + cos(phi) cos(delta) cos(H), with declination delta and hour angle H by Michalsky.

    Args:
        time_ns: ns UTC, shape [t]. latitude, longitude: degrees, north and east positive, shape [site, 1].
    Returns: shape [site, t].
    """
    days = (time_ns - J2000_NS) / DAY_NS
    anomaly = np.radians(np.mod(357.528 + 0.9856003 * days, 360.0))
    ecliptic = np.radians(
        np.mod(280.460 + 0.9856474 * days + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2.0 * anomaly), 360.0)
    )
    obliquity = np.radians(23.439 - 0.0000004 * days)
    ascension = np.arctan2(np.cos(obliquity) * np.sin(ecliptic), np.cos(ecliptic))
    sine_of_declination = np.sin(obliquity) * np.sin(ecliptic)
    cosine_of_declination = np.sqrt(1.0 - sine_of_declination**2)
    hour_of_day = np.mod(time_ns, DAY_NS) / (DAY_NS / 24.0)
    sidereal = np.radians(15.0 * np.mod(6.697375 + 0.0657098242 * days + hour_of_day, 24.0)) - ascension
    around = np.radians(latitude)
    cosine: Float64 = np.sin(around) * sine_of_declination + np.cos(around) * cosine_of_declination * np.cos(
        sidereal + np.radians(longitude)
    )
    return cosine


def apparent_zenith(cosine: Float64, pressure: Float64, temperature: Float64) -> Float64:
    """Angle from straight above to where the sun is seen, degrees, any shape.

    Air bends its light: in the standard atmosphere by 3.51561 (0.1594 + 0.0196 e + 0.00002 e2) / (1 + 0.505 e +
    0.0845 e2) degrees at the elevation e, in proportion to the density of the air.

    Args:
        cosine: of the zenith angle, without refraction. pressure: Pa abs. temperature: Cel.
    Source: Michalsky 1988, as in the head.
    """
    elevation = np.degrees(np.arcsin(np.clip(cosine, -1.0, 1.0)))
    seen = np.maximum(elevation, -0.56)
    bent = 3.51561 * (0.1594 + 0.0196 * seen + 0.00002 * seen**2) / (1.0 + 0.505 * seen + 0.0845 * seen**2)
    density = pressure / SEA_LEVEL_PA * 283.15 / (temperature + 273.15)
    zenith: Float64 = 90.0 - elevation - np.where(elevation > -0.56, bent * density, 0.0)
    return zenith


def clear_sky(cosine: Float64, *, time_ns: Int64, elevation_m: Float64, turbidity: Float64) -> Float64:
    """Irradiance of level ground under a cloudless sky, direct and diffuse together, W/m2.

    G = a1 I0 cos z exp(-a2 M (f1 + f2 (TL - 1))), a1 = 5.09e-5 h + 0.868, a2 = 3.92e-5 h + 0.0387,
    f1 = exp(-h/8000), f2 = exp(-h/1250), with air mass M, Linke turbidity TL and elevation h, m.

    Args:
        cosine: of the zenith angle, shape [site, t]. time_ns: ns UTC, shape [t].
        elevation_m: h, shape [site, 1]. turbidity: TL, 2 for very clean cold air to 6 for haze, shape [site, 1].
    Returns: shape [site, t], 0 while the sun is down.
    Source: Ineichen and Perez 2002, Kasten and Young 1989, Spencer 1971, as in the head.
    """
    height = np.clip(cosine, 0.0, 1.0)
    degrees = np.degrees(np.arcsin(height))
    air_mass = standard_pressure(elevation_m) / SEA_LEVEL_PA / (height + 0.50572 * (degrees + 6.07995) ** -1.6364)
    year = 2.0 * np.pi * np.mod((time_ns - J2000_NS) / DAY_NS, 365.2425) / 365.2425  # J2000 is the first of January
    nearness = (
        1.000110
        + 0.034221 * np.cos(year)
        + 0.001280 * np.sin(year)
        + 0.000719 * np.cos(2.0 * year)
        + 0.000077 * np.sin(2.0 * year)
    )
    depth = np.exp(-elevation_m / 8000.0) + np.exp(-elevation_m / 1250.0) * (turbidity - 1.0)
    reach = np.exp(-(3.92e-5 * elevation_m + 0.0387) * air_mass * depth)
    irradiance: Float64 = (5.09e-5 * elevation_m + 0.868) * SOLAR_CONSTANT * nearness * height * reach
    return irradiance
