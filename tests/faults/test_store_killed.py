"""Kill -9 while the stores write: what was reported durable is there, and a batch is there whole or not at all.

The child appends without end and prints the number of each batch once it is durable. The parent kills it after some
lines, at whatever the child is doing by then, opens the same files and looks; several times on the same folder.
"""

import subprocess
import sys

import pytest

from monitor.stores.embedded import EmbeddedReadings
from monitor.stores.operations import FILE_NAME, SqlOperations
from monitor.stores.protocols import AlarmQuery

BATCH_ROWS = 500

APPENDS = """
import sys
from pathlib import Path
import numpy as np
from monitor.batch import from_columns
from monitor.stores.embedded import EmbeddedReadings

store = EmbeddedReadings(Path(sys.argv[1]))
unit = np.arange(500) % 50
for number in range(int(sys.argv[2]), 1_000_000):
    times = number * 500 + np.arange(500)
    store.append(from_columns([f"u{u}" for u in range(50)], ["s"], times, unit, np.zeros(500), times / 8, times))
    print(number, flush=True)
"""

ASSESSES = """
import sys
from pathlib import Path
from monitor.alarms.lifecycle import Finding, Kind, Said, Urgency
from monitor.stores.operations import SqlOperations
from monitor.stores.protocols import CallOut

def plan(changes, told):
    return [CallOut(f"{c.after.id}/{who}", (c.after.id,), "raised", "email", who, "{}", c.at_ns, c.at_ns)
            for c in changes for who in ("first", "second")]

operations = SqlOperations(Path(sys.argv[1]))
for number in range(int(sys.argv[2]), 1_000_000):
    now = Said(Urgency.NOW)
    found = [Finding(f"u{number}-{n}", "heater_failed", Kind.RAISED, number, number, now) for n in (1, 2)]
    operations.record_assessment(found, number, plan)
    print(number, flush=True)
"""


def killed_after(lines, program, *arguments):
    """The number of the last batch that a child reported durable before it was killed."""
    with subprocess.Popen(
        [sys.executable, "-c", program, *map(str, arguments)], stdout=subprocess.PIPE, text=True
    ) as child:
        reported = [child.stdout.readline() for _ in range(lines)]
        child.kill()
        reported += child.stdout.readlines()  # what it reported between our last look and its end
    assert child.returncode == -9
    return max(int(line) for line in reported if line.endswith("\n"))


def test_readings_reported_durable_survive_a_kill(tmp_path):
    begin = 0
    for lines in (1, 7, 20, 3):
        last = killed_after(lines, APPENDS, tmp_path, begin)
        store = EmbeddedReadings(tmp_path)
        kept = store.read(units=[f"u{u}" for u in range(50)], signals=["s"], from_ns=0, to_ns=2**62)
        store.close()
        times = sorted(kept.time_ns.tolist())
        whole = len(times) // BATCH_ROWS
        assert times == list(range(whole * BATCH_ROWS)), "every batch is there whole, none is missing"
        assert whole - 1 in (last, last + 1), "at most the batch under way is there beyond what was reported"
        begin = whole


def test_an_assessment_survives_a_kill_whole_or_not_at_all(tmp_path):
    begin = 0
    for lines in (1, 9, 4):
        last = killed_after(lines, ASSESSES, tmp_path / FILE_NAME, begin)
        operations = SqlOperations(tmp_path / FILE_NAME)
        until = operations.assessed_until_ns()
        alarms = operations.alarms(AlarmQuery(limit=1_000)).alarms
        call_outs = operations.call_outs(limit=1_000)
        operations.close()
        assert until in (last, last + 1)
        assert len(alarms) == 2 * (until + 1), "each assessment raised two"
        assert sorted(call_out.alarm_id for call_out in call_outs) == sorted([alarm.id for alarm in alarms] * 2)
        begin = until + 1


@pytest.mark.long
def test_readings_survive_a_hundred_kills(tmp_path):
    begin = 0
    for round_ in range(100):
        last = killed_after(1 + round_ % 13, APPENDS, tmp_path, begin)
        store = EmbeddedReadings(tmp_path)
        kept = store.read(units=[f"u{u}" for u in range(50)], signals=["s"], from_ns=0, to_ns=2**62)
        store.close()
        begin = len(kept) // BATCH_ROWS
        assert sorted(kept.time_ns.tolist()) == list(range(begin * BATCH_ROWS))
        assert begin - 1 in (last, last + 1)
