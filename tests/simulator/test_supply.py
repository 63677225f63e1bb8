"""The mains: near their rated volts, the same at the same time however asked, and off as often as feeders are."""

import numpy as np
import pytest

from simulator import supply

SITES = [f"site-{row}" for row in range(12)]
DAY_NS = 86_400 * 10**9
FROM_NS = 1_767_225_600 * 10**9  # 2026-01-01T00:00:00Z
MINUTE_NS = 60 * 10**9
YEAR = supply.line(SITES, seed=4, from_ns=FROM_NS, to_ns=FROM_NS + 365 * DAY_NS)


def test_a_value_a_step_and_site():
    line = supply.line(SITES[:3], seed=4, from_ns=FROM_NS, to_ns=FROM_NS + DAY_NS, step_s=600)
    assert line.voltage.shape == (3, 144)
    np.testing.assert_array_equal(line.voltage, YEAR.voltage[:3, :1440:10])


@pytest.mark.parametrize(("first", "last"), [(0, 1), (7, 10), (100, 165), (364, 365)])
def test_any_span_gives_the_same_volts_at_the_same_times(first, last):
    part = supply.line(SITES, seed=4, from_ns=FROM_NS + first * DAY_NS, to_ns=FROM_NS + last * DAY_NS)
    assert part.voltage.tobytes() == YEAR.voltage[:, first * 1440 : last * 1440].tobytes()


def test_a_span_of_hours_within_an_outage_knows_the_whole_of_it():
    site, begin_ns, end_ns = max(YEAR.outages, key=lambda outage: outage[2] - outage[1])
    middle_ns = (begin_ns + end_ns) // 2 // MINUTE_NS * MINUTE_NS
    part = supply.line([site], seed=4, from_ns=middle_ns, to_ns=middle_ns + 5 * MINUTE_NS)
    assert part.outages == ((site, begin_ns, end_ns),)
    assert not part.voltage.any()


def test_a_site_hangs_on_its_own_name_and_the_seed():
    alone = supply.line(SITES[5:6], seed=4, from_ns=FROM_NS, to_ns=FROM_NS + 3 * DAY_NS)
    np.testing.assert_array_equal(alone.voltage[0], YEAR.voltage[5, : 3 * 1440])
    other = supply.line(SITES, seed=5, from_ns=FROM_NS, to_ns=FROM_NS + 3 * DAY_NS)
    assert not np.any(other.voltage[:, 0] == YEAR.voltage[:, 0])


def test_volts_are_near_the_rated_most_of_the_time_and_wander_slowly():
    on = np.where(YEAR.voltage > 0.0, YEAR.voltage, np.nan)
    assert np.nanquantile(on, 0.001) > 0.93
    assert np.nanmax(on) < 1.06
    assert 0.003 < np.nanmedian(np.nanstd(on, axis=1)) < 0.03
    assert np.nanmedian(np.abs(np.diff(on, axis=1))) < 0.003


def test_there_are_sags_but_none_reads_as_an_outage():
    sagging = (YEAR.voltage > 0.0) & (YEAR.voltage < 0.92)
    assert 10 < sagging.sum(axis=1).mean() < 120
    assert YEAR.voltage[YEAR.voltage > 0.0].min() >= 0.6


def test_outages_are_zero_volts_and_nothing_else_is():
    time_ns = FROM_NS + MINUTE_NS * np.arange(YEAR.voltage.shape[1])
    off = np.zeros_like(YEAR.voltage, dtype=bool)
    for site, begin_ns, end_ns in YEAR.outages:
        off[SITES.index(site)] |= (time_ns >= begin_ns) & (time_ns < end_ns)
    np.testing.assert_array_equal(off, YEAR.voltage == 0.0)


def test_outages_are_some_a_year_short_ones_more_than_long_ones():
    hours = np.array([(end - begin) / 3.6e12 for _, begin, end in YEAR.outages])
    assert 2.0 < len(hours) / len(SITES) < 10.0
    assert 0.2 < np.median(hours) < 3.0
    assert 2.0 / 60.0 <= hours.min() <= hours.max() <= 36.0
    assert list(YEAR.outages) == sorted(YEAR.outages, key=lambda outage: (outage[1], outage[0]))
