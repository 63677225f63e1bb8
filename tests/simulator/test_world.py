"""The simulated world as a whole: faults have consequences, starts fail by themselves, the same seed gives the same."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest

from simulator.faults import Fault
from simulator.imagined import imagined_start
from simulator.inputs import inputs_of, moment, plan_of
from simulator.plant import begin, plant_of
from simulator.running import CONTROL_DROPPED_OUT, LOCKED_OUT, NO_GAS, NOT_IN_AUTO, TOO_COLD, TURNED_TOO_SLOWLY
from simulator.scenario import Scenario, parse_scenario
from simulator.sensing import Truth
from simulator.truth import Ledger, NotReady, Reason, not_ready_moment
from simulator.world import Day, Run, days

SECOND_NS = 1_000_000_000
HOUR_NS = 3600 * SECOND_NS
DAY_NS = 24 * HOUR_NS
WINTER = 'from = 2026-01-05\nfleet = "lone-pump"\noutages = false\n'
SUMMER = 'from = 2026-07-06\nfleet = "lone-pump"\noutages = false\n'
COLD_WEEK = '[[events]]\nkind = "cold_snap"\nfrom = "1 d"\nto = "8 d"\nsize = 12.0\n'


@dataclass(frozen=True)
class Seen:
    """A whole scenario as one of its units meets it: columns over all days, and what its days tell."""

    scenario: Scenario
    days: Sequence[Day]
    all_spans: Sequence[NotReady]
    unit: int = 0

    def at(self, unit: str) -> "Seen":
        return replace(self, unit=self.scenario.unit_ids.index(unit))

    @property
    def time_ns(self) -> np.ndarray:
        return np.concatenate([day.truth.time_ns for day in self.days])

    def of(self, signal: str) -> np.ndarray:
        return np.concatenate([day.truth.values[signal][self.unit] for day in self.days])

    @property
    def runs(self) -> list[Run]:
        return [run for day in self.days for run in day.runs if run.unit == self.unit]

    @property
    def spans(self) -> list[NotReady]:
        return [span for span in self.all_spans if span.unit == self.unit]

    @property
    def told_each_second(self) -> list[tuple[Truth, np.ndarray]]:
        """Days with quick readings of the unit, and which of them are its."""
        own = [(day.truth, day.truth.quick_unit == self.unit) for day in self.days]
        return [(truth, rows) for truth, rows in own if rows.any()]

    @property
    def fault(self) -> Fault:
        """The unit's only one."""
        (fault,) = [one for one in self.scenario.faults if one.unit == self.scenario.unit_ids[self.unit]]
        return fault

    def not_ready(self) -> NotReady | None:
        """The span that the unit's fault is charged with."""
        return not_ready_moment(self.fault, self.unit, self.all_spans)

    def moment_h(self) -> float | None:
        """Hours from the fault's onset until the unit was not ready."""
        span = self.not_ready()
        return None if span is None else (span.from_ns - self.fault.from_ns) / HOUR_NS

    def reasons(self) -> set[Reason]:
        return {span.reason for span in self.spans}


def lived(text: str) -> Seen:
    return lived_through(parse_scenario(text))


def lived_through(scenario: Scenario) -> Seen:
    ledger, seen = Ledger(), []
    for day in days(scenario):
        ledger.add(day.truth.time_ns, day.reasons)
        seen.append(day)
    return Seen(scenario, seen, ledger.closed())


def fault(kind: str, *, unit: str = "pump-house-1", begins: str = "2 d", more: str = "") -> str:
    return f'[[faults]]\nunit = "{unit}"\nkind = "{kind}"\nfrom = "{begins}"\n{more}\n'


def pump(unit: str, more: str = "") -> str:
    return f'[units.{unit}]\nsite = "pump-house"\n{more}\n'


@pytest.fixture(scope="module")
def winter() -> Seen:
    """Eight days of winter with a cold week, at a site of pumps: the first is sound, each other has a fault of its own.

    A unit lives the same life alone and in company, see below: so one world serves many tests.
    """
    while_old = {"unit": "new-battery", "begins": "1 d", "more": 'to = "4 d"'}
    text = WINTER + "days = 8\n" + COLD_WEEK
    text += pump("open-element") + fault("heater_element_open", unit="open-element")
    text += pump("called-out") + fault("heater_element_open", unit="called-out")
    text += pump("shut-hose") + fault("heater_hose_restricting", unit="shut-hose")
    text += pump("left-off") + fault("control_left_off", unit="left-off", begins="1 h")
    text += pump("no-supply", "space_heater = true\nexercise_rule = ''") + fault("breaker_tripped", unit="no-supply")
    text += pump("new-battery", "exercise_rule = 'FREQ=DAILY;BYHOUR=10'")
    text += "".join(fault(kind, **while_old) for kind in ("battery_sulphated", "charger_no_ac", "load_left_on"))
    scenario = parse_scenario(text)
    faults = [
        replace(one, at_visit=True, called_out=True) if one.unit == "called-out" else one for one in scenario.faults
    ]
    return lived_through(replace(scenario, faults=tuple(faults)))


@pytest.fixture(scope="module")
def sound(winter: Seen) -> Seen:
    """A sound pump through eight days of winter with a cold week."""
    return winter.at("pump-house-1")


def test_a_sound_unit_stays_ready_through_a_cold_week(sound: Seen):
    assert sound.reasons() <= {Reason.NOT_IN_AUTO}, "at visits alone"
    assert sound.of("jacket_water_temperature").min() > 32.0


def test_a_sound_unit_makes_its_exercise_run(sound: Seen):
    (run,) = sound.runs
    assert (run.why, run.started, run.failed_because, run.attempts) == ("exercise", True, "", 1)
    assert run.least_block_volts > 8.4
    assert run.least_gas_share > 0.8
    running = sound.of("engine_running")
    assert 28 <= running.sum() <= 33, "minutes"
    assert sound.of("jacket_water_temperature")[running > 0].max() > 60.0


def test_time_goes_on_from_day_to_day_without_a_gap_or_a_repeat(sound: Seen):
    assert np.all(np.diff(sound.time_ns) == 60 * SECOND_NS)
    assert sound.time_ns[0] == sound.scenario.from_ns
    assert sound.time_ns[-1] == sound.scenario.to_ns
    assert len(sound.time_ns) == 8 * 1440 + 1


def test_battery_and_gas_are_told_each_second_from_the_crank_until_half_a_minute_after_it(sound: Seen):
    (run,) = sound.runs
    ((truth, own),) = sound.told_each_second
    volts = own & (truth.quick_signal == 1)
    time_s = (truth.quick_time_ns[volts] - run.from_ns) / SECOND_NS
    assert time_s.tolist() == list(range(len(time_s)))
    assert 31 <= len(time_s) <= 45
    assert truth.quick_value[volts].min() / 2 == pytest.approx(run.least_block_volts)
    assert set(truth.quick_signal[own].tolist()) == {1, 2}


def test_an_open_element_in_a_cold_week_leaves_the_unit_not_ready_when_its_water_is_below_21(winter: Seen):
    seen = winter.at("open-element")
    span = seen.not_ready()
    assert span is not None
    assert span.reason == Reason.WATER_COLD
    water = seen.of("jacket_water_temperature")
    at = int(np.searchsorted(seen.time_ns, span.from_ns))
    assert water[at] == pytest.approx(21.0, abs=0.5)
    assert water[at - 60] > 21.5
    assert 3.0 < (seen.moment_h() or 0.0) < 20.0, "a warm block lasts hours (TRADE.md section 3)"


def test_a_block_behind_a_shut_hose_is_cold_though_the_sensor_at_the_heater_reads_warm(winter: Seen):
    seen = winter.at("shut-hose")
    span = seen.not_ready()
    assert span is not None
    assert span.reason == Reason.WATER_COLD
    at = int(np.searchsorted(seen.time_ns, span.from_ns))
    assert seen.of("jacket_water_temperature")[at - 30 : at + 30].mean() > 30.0


def test_an_engine_that_froze_cannot_fire():
    """Exercise on Tuesday, a day after the element opened in deep cold; the battery still turns it."""
    text = WINTER.replace("01-05", "01-11") + "days = 3\n"
    text += '[[events]]\nkind = "cold_snap"\nfrom = "0 d"\nto = "3 d"\nsize = 30.0\n'
    seen = lived(text + fault("heater_element_open", begins="1 h"))
    (run,) = seen.runs
    assert not run.started
    assert run.failed_because in {TOO_COLD, TURNED_TOO_SLOWLY, CONTROL_DROPPED_OUT}
    assert run.attempts == 3
    assert seen.of("engine_running").max() == 0.0


@pytest.mark.long  # 31 days; that a battery without its charger fails to crank is shown quickly by a new battery, below
def test_a_charger_off_for_weeks_ends_with_a_crank_under_eight_volts_a_block():
    seen = lived(WINTER + "days = 31\n" + fault("charger_no_ac"))
    span = seen.not_ready()
    assert span is not None
    assert span.reason == Reason.CRANKING
    assert 7.0 < (seen.moment_h() or 0.0) / 24.0 < 25.0
    last = seen.runs[-1]  # of warmer hours may be some that still start
    assert not last.started
    assert last.failed_because in {CONTROL_DROPPED_OUT, TURNED_TOO_SLOWLY}
    assert last.least_block_volts < 8.0


def test_a_vent_sealed_in_the_warmth_leaves_no_gas_in_the_cold():
    seen = lived(
        'from = 2026-10-05\nfleet = "lone-pump"\noutages = false\ndays = 3\n'
        + '[[events]]\nkind = "cold_snap"\nfrom = "1.5 d"\nto = "3 d"\nsize = 22.0\n'
        + fault("vent_blocked", begins="20 h")
        + '[units.pump-house-1]\nexercise_rule = "FREQ=DAILY;BYHOUR=5"\n'
    )
    span = seen.not_ready()
    assert span is not None
    assert span.reason == Reason.GAS_LOW
    failed = [run for run in seen.runs if not run.started]
    assert failed
    assert {run.failed_because for run in failed} == {NO_GAS, LOCKED_OUT}
    assert seen.runs[0].started, "before the vent closed it ran"


def test_a_switch_left_off_starts_nothing(winter: Seen):
    seen = winter.at("left-off")
    (run,) = seen.runs
    assert (run.started, run.failed_because, run.attempts) == (False, NOT_IN_AUTO, 0)
    assert seen.moment_h() == 0.0
    assert seen.told_each_second == []


def test_a_switch_put_back_during_an_outage_starts_the_unit():
    seen = lived(
        WINTER
        + "days = 1\n[units.pump-house-1]\nexercise_rule = ''\n"
        + '[[events]]\nkind = "outage"\nfrom = "10 h"\nto = "14 h"\n'
        + fault("control_left_off", begins="2 h", more='to = "12 h"')
    )
    refused, run = seen.runs
    assert (refused.started, refused.failed_because) == (False, NOT_IN_AUTO)
    assert run.started
    assert 0 < run.from_ns - seen.scenario.from_ns - 12 * HOUR_NS <= 10 * SECOND_NS


def test_a_tripped_breaker_takes_heater_charger_and_space_heater(winter: Seen):
    seen = winter.at("no-supply")
    on = slice(1440, 2880)
    off = slice(2940, None)
    assert seen.of("charger_current")[off].max() <= 0.0
    assert seen.of("charger_current")[on].max() > 0.0
    assert np.all(np.diff(seen.of("jacket_water_temperature")[off][:600]) < 0.0), "it only cools"
    warmth = seen.of("enclosure_temperature") - seen.of("ambient_temperature")
    assert warmth[off][-720:].mean() < warmth[on].mean() - 3.0


def test_an_outage_starts_the_sound_unit_and_the_mains_stop_it_again():
    seen = lived(
        WINTER
        + "days = 2\n[units.pump-house-1]\nexercise_rule = ''\n"
        + '[[events]]\nkind = "outage"\nfrom = "20 h"\nto = "23 h"\n'
    )
    (run,) = seen.runs
    assert (run.why, run.started, run.failed_because) == ("outage", True, "")
    outage_ns = seen.scenario.from_ns + 20 * HOUR_NS
    assert 0 < run.from_ns - outage_ns <= 10 * SECOND_NS, "NFPA 70 Art. 700: supplies within 10 s"
    assert run.to_ns is not None
    assert 10 <= (run.to_ns - outage_ns - 3 * HOUR_NS) / (60 * SECOND_NS) <= 21, "minutes after they came back"
    assert seen.days[0].outages == (("pump-house", outage_ns, outage_ns + 3 * HOUR_NS),)
    power = seen.of("generator_power")
    assert power.max() == pytest.approx(0.7 * 60e3)


def test_a_run_over_midnight_is_one_run():
    seen = lived(
        WINTER
        + "days = 2\n[units.pump-house-1]\nexercise_rule = ''\n"
        + '[[events]]\nkind = "outage"\nfrom = "23 h"\nto = "25 h"\n'
    )
    (run,) = seen.runs
    assert run.started
    running = seen.of("engine_running")
    assert np.count_nonzero(np.diff(running)) == 2
    assert seen.days[0].runs == ()


def test_what_lasts_at_the_end_is_told_too():
    seen = lived(
        WINTER
        + "days = 1\n[units.pump-house-1]\nexercise_rule = ''\n"
        + '[[events]]\nkind = "outage"\nfrom = "20 h"\nto = "30 h"\n'
    )
    (run,) = seen.runs
    assert (run.started, run.to_ns) == (True, None)
    assert seen.days[0].outages == (("pump-house", run.from_ns // HOUR_NS * HOUR_NS, seen.scenario.to_ns),)


def test_a_new_battery_starts_what_the_old_one_could_not(winter: Seen):
    seen = winter.at("new-battery")
    at = seen.scenario.from_ns + 4 * DAY_NS
    (before,) = [run for run in seen.runs if at - DAY_NS < run.from_ns < at]
    after = [run for run in seen.runs if run.from_ns > at]
    assert (before.started, before.failed_because) == (False, CONTROL_DROPPED_OUT)
    assert all(run.started for run in after)


def test_a_new_set_point_is_held():
    seen = lived(
        SUMMER
        + "days = 3\n[units.pump-house-1]\nexercise_rule = 'FREQ=DAILY;BYHOUR=10'\n"
        + '[[events]]\nkind = "gas_set_point_changed"\nunit = "pump-house-1"\nat = "1.5 d"\nsize = 3500.0\n'
    )
    running = seen.of("engine_running") > 0
    running[1:] &= running[:-1]  # from the second minute of a run on
    pressure = seen.of("gas_pressure")
    assert pressure[:1440][running[:1440]].mean() < 2800.0
    assert pressure[2900:][running[2900:]].mean() > 3000.0
    assert all(run.started for run in seen.runs)


def test_who_is_called_out_mends_the_heater_and_the_water_comes_back(winter: Seen):
    seen = winter.at("called-out")
    cold = [span for span in seen.spans if span.reason == Reason.WATER_COLD]
    (mended,) = [fault for fault in seen.days[-1].faults if fault.unit == "called-out"]
    assert len(cold) == 1
    assert mended.to_ns is not None
    assert 0 < mended.to_ns - cold[0].from_ns < DAY_NS + HOUR_NS
    assert cold[0].to_ns is not None
    assert mended.to_ns < cold[0].to_ns < mended.to_ns + 12 * HOUR_NS, "a cold block takes hours to warm"
    assert [visit.off_to_ns for day in seen.days for visit in day.visits if visit.off_to_ns == mended.to_ns]


def same(first: Truth, second: Truth) -> None:
    for signal, column in first.values.items():
        np.testing.assert_array_equal(column, second.values[signal], err_msg=signal)
    np.testing.assert_array_equal(first.quick_value, second.quick_value)


def test_the_same_seed_gives_the_same_world_and_another_seed_another():
    text = 'from = 2026-01-05\ndays = 1\nfleet = "tarn-valley"\n'
    once, again, other = lived(text), lived(text), lived("seed = 2\n" + text)
    for first, second in zip(once.days, again.days, strict=True):
        same(first.truth, second.truth)
        assert first.runs == second.runs
    assert not np.array_equal(once.of("jacket_water_temperature"), other.of("jacket_water_temperature"))


def test_a_unit_lives_the_same_life_alone_and_in_company():
    text = 'from = 2026-01-05\ndays = 2\noutages = false\nfleet = "tarn-valley"\n'
    together = parse_scenario(text)
    alone = replace(together, units=together.units[3:4])
    for first, second in zip(days(together), days(alone), strict=True):
        for signal, column in second.truth.values.items():
            np.testing.assert_array_equal(first.truth.values[signal][3:4], column, err_msg=signal)


def test_a_healthy_start_is_imagined_as_the_real_one_turns_out(sound: Seen):
    """The truth about readiness is an imagined start: at the moment of a real one, both show the same."""
    (run,) = sound.runs
    plant = plant_of(sound.scenario)
    at = run.from_ns // (60 * SECOND_NS) * 60 * SECOND_NS
    inputs = inputs_of(plant, plan_of(sound.scenario), from_ns=at, to_ns=at + HOUR_NS)
    states = begin(plant, ambient=inputs.ambient[0])
    volts, gas_share = imagined_start(plant, states, moment(inputs, 0))
    assert volts[sound.unit] == pytest.approx(run.least_block_volts, abs=0.4)
    assert 0.6 < gas_share[sound.unit] < 1.2
