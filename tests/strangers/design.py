"""What each unit is: its place, its parts' families and numbers, its people's habits.

In: a seed and a unit's number. Out: a Design, the same whatever other units there are. May import: tests.strangers.
Touches nothing.
"""

from dataclasses import dataclass

from tests.strangers.battery import draw_battery
from tests.strangers.climate import CLIMATES, Climate
from tests.strangers.draws import Rng, between, chance, pick, stream
from tests.strangers.enclosure import draw_enclosure
from tests.strangers.gas import draw_gas
from tests.strangers.water import draw_water

WEEKDAYS = ("MO", "TU", "WE", "TH", "FR")


@dataclass(frozen=True, slots=True)
class Design:
    """One unit as built.

    number, id: of the unit. place: number of its site; two units can stand at one. words: families by part. water,
    battery, gas, house, habits: numbers by part. rules: visit and exercise as RFC 5545 rules, "" for none.
    """

    number: int
    id: str
    place: int
    climate: Climate
    zone: str
    utc_offset_h: float
    latitude: float
    height_m: float
    words: dict[str, str]
    water: dict[str, float]
    battery: dict[str, float]
    gas: dict[str, float]
    house: dict[str, float]
    habits: dict[str, float]
    rules: dict[str, str]

    @property
    def site(self) -> str:
        """The site's name in the fleet file."""
        return f"place-{self.place:04d}"


def design(seed: int, number: int) -> Design:
    """One unit as built.

    Args:
        seed: of the run.
        number: the unit's, >= 0.
    """
    rng = stream(seed, number, "design")
    shares = number % 2 == 1 and chance(stream(seed, number, "shares a place"), 0.25)
    place = number - 1 if shares else number
    here = stream(seed, place, "place")
    kind = pick(here, dict.fromkeys(CLIMATES, 1.0))
    climate = CLIMATES[kind]
    zone, offset, latitude = climate.zones[int(here.integers(len(climate.zones)))]
    height = between(here, *climate.height)
    coldest = climate.mean - climate.season - 13.0 * climate.weather
    words = {"climate": kind}
    parts: dict[str, dict[str, float]] = {}
    for part, (its_words, numbers) in {
        "water": draw_water(rng, coldest=coldest),
        "battery": draw_battery(rng, coldest=coldest),
        "house": draw_enclosure(rng, coldest=coldest),
        "gas": draw_gas(rng),
    }.items():
        words |= its_words
        parts[part] = numbers
    # A house that lets more air through than the heater's makers reckoned with would be cold from the first day on;
    # a basement is never that. What is drawn here is a sound unit, so the heater is no smaller than the place asks.
    habits, rules = _habits(rng, words, warm_summer=climate.mean + climate.season > 20)
    return Design(
        number=number,
        id=f"stranger-{number:04d}",
        place=place,
        climate=climate,
        zone=zone,
        utc_offset_h=offset,
        latitude=latitude,
        height_m=height,
        words=words,
        water=parts["water"],
        battery=parts["battery"],
        gas=parts["gas"],
        house=parts["house"],
        habits=habits,
        rules=rules,
    )


def _habits(rng: Rng, words: dict[str, str], *, warm_summer: bool) -> tuple[dict[str, float], dict[str, str]]:
    """How people treat the unit: how often they come, how it is exercised, how steady its line and mains are."""
    visits = pick(rng, {"weekly": 0.35, "fortnightly": 0.15, "monthly": 0.35, "quarterly": 0.15})
    exercise = pick(rng, {"weekly": 0.4, "fortnightly": 0.13, "monthly": 0.35, "none": 0.12})
    day, hour = WEEKDAYS[int(rng.integers(5))], int(rng.integers(7, 16))
    other_day, other_hour = WEEKDAYS[int(rng.integers(5))], int(rng.integers(0, 24))
    visit_rule = {
        "weekly": f"FREQ=WEEKLY;BYDAY={day};BYHOUR={hour};BYMINUTE=0",
        "fortnightly": f"FREQ=WEEKLY;INTERVAL=2;BYDAY={day};BYHOUR={hour};BYMINUTE=0",
        "monthly": f"FREQ=MONTHLY;BYDAY=2{day};BYHOUR={hour};BYMINUTE=0",
        "quarterly": f"FREQ=MONTHLY;INTERVAL=3;BYDAY=1{day};BYHOUR={hour};BYMINUTE=0",
    }[visits]
    minute = int(rng.choice([0, 0, 10, 15, 30, 45]))
    exercise_rule = {
        "weekly": f"FREQ=WEEKLY;BYDAY={other_day};BYHOUR={other_hour};BYMINUTE={minute}",
        "fortnightly": f"FREQ=WEEKLY;INTERVAL=2;BYDAY={other_day};BYHOUR={other_hour};BYMINUTE={minute}",
        "monthly": f"FREQ=MONTHLY;BYDAY=1{other_day};BYHOUR={other_hour};BYMINUTE={minute}",
        "none": "",
    }[exercise]
    long = exercise == "monthly"
    habits = {
        "visit_told": float(chance(rng, 0.75)),
        "exercise_told": float(chance(rng, 0.5)),
        "exercise_minutes": between(rng, 25.0, 60.0) if long else between(rng, 10.0, 30.0),
        "exercise_load": between(rng, 0.15, 0.5) if chance(rng, 0.4) else 0.0,
        "outages_a_year": {"desert": 4.0, "tropical": 30.0, "arctic coast": 14.0}.get(words["climate"], 8.0)
        * between(rng, 0.3, 2.0),
        "line_sag": between(rng, 0.01, 0.08),
        "line_phase_h": between(rng, 17.5, 21.0),
        "seasonal": float(chance(rng, 0.2) and warm_summer),
        "seasonal_told": float(chance(rng, 0.7)),
    }
    words |= {"visits": visits, "exercise": exercise}
    return habits, {"visit": visit_rule, "exercise": exercise_rule}
