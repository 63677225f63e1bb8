"""The table of causes and symptoms: data that an engineer reads and changes.

In: causes_default.toml and the same tables of a limits file. Out: one models.diagnosis.Table, or what is wrong noted at
its place. May import: models.diagnosis, monitor.conditions, monitor.toml_tables. Reads the defaults and nothing else.
"""

from functools import cache
from importlib.resources import files
from types import MappingProxyType

from models import diagnosis
from monitor.conditions import CONDITIONS
from monitor.toml_tables import FileFaults, Table, content_of, did_you_mean

KEYS = ("symptoms", "causes")
SYMPTOM_EXAMPLE = 'tested_by = "heater_failed"'
CAUSE_EXAMPLE = "shows = { no_heat = 0.9 }"


@cache
def default_causes() -> diagnosis.Table:
    """The table that comes with the program."""
    faults: list[str] = []
    name = "causes_default.toml"
    whole = Table(name, content_of(files("monitor").joinpath(name).read_text("utf-8"), name), faults)
    whole.only(KEYS)
    table = with_tables(whole, diagnosis.Table({}, {}))
    if faults:
        raise FileFaults(faults)
    return table


def with_tables(whole: Table, below: diagnosis.Table) -> diagnosis.Table:
    """A table with the symptoms and causes of a file added; faults are noted in the file's own list.

    Args:
        whole: the file. below: what holds where the file says nothing.
    """
    symptoms = dict(below.symptoms) | {name: _symptom(table) for name, table in whole.tables("symptoms")}
    causes = dict(below.causes)
    for name, table in whole.tables("causes"):
        causes[name] = _cause(name, table, symptoms)
    return diagnosis.Table(MappingProxyType(symptoms), MappingProxyType(causes))


def _symptom(table: Table) -> diagnosis.Symptom:
    table.only(("says", "tested_by", "unexplained"))
    tested_by = table.text("tested_by")
    if tested_by.partition("/")[0] not in CONDITIONS:
        meant = did_you_mean(tested_by, CONDITIONS)
        table.fault(f'tested_by is "{tested_by}", which is no condition.{meant} Write {SYMPTOM_EXAMPLE}.')
    if not table.text("says"):
        table.fault('says is missing. Write the fact in words: says = "the water cools".')
    return diagnosis.Symptom(table.text("says"), tested_by, _share(table, "unexplained", "unexplained = 0.0005"))


def _cause(name: str, table: Table, symptoms: dict[str, diagnosis.Symptom]) -> diagnosis.Origin:
    table.only(("usual", "shows"))
    condition, _, finer = name.partition("/")
    if condition not in CONDITIONS or not finer:
        table.fault(
            f'"{name}" is no cause under a condition.{did_you_mean(condition, CONDITIONS)} '
            'Name it so: [causes."heater_failed/element_open"].'
        )
    shown = table.table("shows", CAUSE_EXAMPLE)
    shows: dict[str, float] = {}
    for symptom in shown.content:
        if symptom not in symptoms:
            shown.fault(f"{symptom} is no symptom.{did_you_mean(symptom, symptoms)} Add [symptoms.{symptom}] first.")
        shows[symptom] = shown.number(symptom, 0.0, 1.0) or 0.0
    if not shows:
        table.fault(f"shows is missing: a cause that shows nothing is never found. Write {CAUSE_EXAMPLE}.")
    return diagnosis.Origin(_share(table, "usual", "usual = 0.001"), MappingProxyType(shows))


def _share(table: Table, key: str, example: str) -> float:
    if key not in table:
        table.fault(f"{key} is missing. Write {example}.")
        return 0.5
    share = table.number(key, 0.0, 1.0)
    if share in (0.0, 1.0):
        table.fault(f"{key} is {share:g}: nothing is as sure as that. Give a number between 0 and 1, like {example}.")
    return 0.5 if share is None else share
