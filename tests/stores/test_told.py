"""How urgent a matter was when somebody was told of it."""

from pathlib import Path

from monitor.alarms.lifecycle import Finding, Kind, Said, Urgency, alarm_id
from monitor.stores.operations import SqlOperations
from monitor.stores.protocols import CallOut


def finding(kind: Kind, urgency: Urgency, at_ns: int) -> Finding:
    return Finding("pump-1", "low_gas_pressure", kind, at_ns, at_ns, Said(urgency))


def test_a_call_out_counts_for_what_its_batch_leaves(tmp_path: Path) -> None:
    """Raised at_visit and risen to now in one batch: whoever is called hears 'now', and need not hear it again."""
    alarm = alarm_id("pump-1", "low_gas_pressure", 1)
    asked = []

    def plan(changes, told):
        asked.append(told[alarm])
        return [CallOut(f"key {len(asked)}", (alarm,), "raised", "email", "duty@example.invalid", "{}", 2, 2)]

    operations = SqlOperations(tmp_path / "operations.sqlite")
    try:
        rise = [finding(Kind.RAISED, Urgency.AT_VISIT, 1), finding(Kind.CHANGED, Urgency.NOW, 2)]
        operations.record_assessment(rise, 2, plan)
        operations.record_assessment([finding(Kind.CHANGED, Urgency.NOW, 3)], 3, plan)
    finally:
        operations.close()
    assert asked == ["", "now"]
