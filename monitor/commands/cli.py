"""The command line: what there is to type, read and checked; each command's work is done elsewhere.

In: words after `stillready`. Out: an exit code: 0 done, 1 failed, 2 wrong use; sentences on standard error, results on
standard output. May import: cyclopts at once; everything else inside the commands, so that --help is quick. Touches
nothing itself.
"""

import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import App, CycloptsError, Parameter

from monitor.commands.failing import FAILED, WRONG_USE, CommandFailed

if TYPE_CHECKING:
    from monitor.settings import Settings
    from monitor.stores.embedded import EmbeddedReadings
    from monitor.stores.operations import SqlOperations

INTERRUPTED = 130  # what shells say of a program that Ctrl-C ended: 128 + SIGINT

ABOUT = """Is the standby generator still ready to start?

Stillready watches standby gas engine-generators over MQTT and calls a person before a unit would fail to start.
Begin with: stillready demo
"""

app = App(
    name="stillready",
    help=ABOUT,
    help_format="plaintext",
    version=lambda: version("stillready"),
    default_parameter=Parameter(negative=()),
    suppress_keyboard_interrupt=False,  # run() answers to it, as to every other end
)
history = App(name="history", help="Take readings in from files, or write them out.")
quarantine = App(name="quarantine", help="Look at what could not be read, and take in units that nobody wrote down.")
app.command(history)
app.command(quarantine)

FleetFile = Annotated[Path | None, Parameter(help="Fleet file; fleet.toml where nothing else is said.")]
DataFolder = Annotated[
    Path | None, Parameter(help="Folder with the readings; stillready-data where nothing else is said.")
]
SettingsFile = Annotated[Path | None, Parameter(help="Settings file (TOML); else STILLREADY_SETTINGS names it.")]
FromTime = Annotated[str | None, Parameter(name="--from", help="Begin, like 2026-01-31T08:00:00Z.")]
ToTime = Annotated[str | None, Parameter(name="--to", help="End, like 2026-01-31T08:00:00Z; it is left out itself.")]


def main() -> None:
    """Run the command that was typed, and end with its exit code."""
    sys.exit(run(sys.argv[1:]))


def run(words: list[str]) -> int:
    """The exit code of one command. Every sentence on what went wrong is written here.

    Args:
        words: as typed, without the program's name.
    """
    from monitor.toml_tables import FileFaults

    try:
        app(words, exit_on_error=False, print_error=False, result_action="return_value")
    except CycloptsError as error:
        return _say(f"{error} Try: stillready --help", WRONG_USE)
    except CommandFailed as error:
        return _say(str(error), error.code)
    except FileFaults as error:
        return _say(str(error), FAILED)
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:  # `| head` has seen enough
        sys.stdout = None
        return FAILED
    return 0


def _say(sentence: str, code: int) -> int:
    print(sentence, file=sys.stderr)
    return code


@app.command
def demo(
    *,
    data: Annotated[Path, Parameter(help="Folder that keeps the demo, so that a second start is quick.")] = Path(
        ".demo"
    ),
    listen: Annotated[
        str | None, Parameter(help="HOST:PORT of the pages; port 8460 on this machine, or a free one.")
    ] = None,
) -> None:
    """Watch an invented valley of generators, on this machine alone.

    The broker, the mail server and the program are real; engines, weather and people are not. Ctrl-C ends it.

    Example: stillready demo
    """
    from monitor.commands.demo import run as run_demo

    run_demo(data, listen)


@app.command
def serve(
    *,
    fleet: FleetFile = None,
    data: DataFolder = None,
    broker: Annotated[str | None, Parameter(help="Broker, like mqtt://127.0.0.1:1883 or mqtts://host.")] = None,
    listen: Annotated[str | None, Parameter(help="HOST:PORT of API and pages; 127.0.0.1:8460 else.")] = None,
    limits: Annotated[Path | None, Parameter(help="Limits file; the defaults hold without one.")] = None,
    settings: SettingsFile = None,
) -> None:
    """Watch the fleet: collect readings, judge them, call people, show pages. Ctrl-C ends it.

    What is not given here is taken from the environment (STILLREADY_…), then from the settings file.

    Example: stillready serve --fleet fleet.toml --data /var/lib/stillready --broker mqtt://127.0.0.1:1883
    """
    import logging
    import signal

    given = _settings(
        settings, {"fleet": fleet, "data": data, "broker.url": broker, "listen": listen, "limits": limits}
    )
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s: %(message)s", stream=sys.stderr)
    for noisy in ("httpx", "alembic"):
        logging.getLogger(noisy).setLevel(logging.WARNING)

    from monitor.commands.progress import progress
    from monitor.serve import serve as serve_until_stopped
    from monitor.stores.protocols import StoreUnavailable

    def end(number: int, frame: object) -> None:
        # Ended once: a second signal must not cut off what the first began.
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        raise KeyboardInterrupt

    signal.signal(signal.SIGINT, end)
    signal.signal(signal.SIGTERM, end)
    try:
        with progress("Catching up on the history", "units") as told:
            serve_until_stopped(given, ready=_ready, progress=told)
    except (StoreUnavailable, OSError, ValueError) as error:
        raise _failed(error) from error


def _ready(address: str) -> None:
    print(f"Stillready is watching. Pages: {address}", flush=True)


@app.command
def replay(
    *,
    fleet: Annotated[Path, Parameter(help="Fleet file.")] = Path("fleet.toml"),
    readings: Annotated[
        list[Path], Parameter(consume_multiple=True, help="Parquet and CSV files, or folders of them.")
    ],
    alarms: Annotated[Path, Parameter(help="File for the alarms, one JSON object a line.")],
    limits: Annotated[Path | None, Parameter(help="Limits file; the defaults hold without one.")] = None,
    models: Annotated[Path | None, Parameter(help="Folder of trained models. This version has none yet.")] = None,
    from_: FromTime = None,
    to: ToTime = None,
) -> None:
    """Run history through the very code that runs live, in the readings' own time.

    The same files give the same alarms, byte for byte, in whatever order they are named.

    Example: stillready replay --fleet fleet.toml --readings history/*.parquet --alarms alarms.jsonl
    """
    if models is not None:
        raise CommandFailed("There are no trained models in this version. Leave --models out.", WRONG_USE)
    from monitor.commands.progress import progress
    from monitor.history import UnreadableHistory
    from monitor.replaying import replay_files

    from_ns, to_ns = _span(from_, to)
    try:
        with progress("Replaying", "units") as told:
            done = replay_files(
                fleet, readings, alarms, limits=limits, models=models, from_ns=from_ns, to_ns=to_ns, progress=told
            )
    except (UnreadableHistory, OSError) as error:
        raise _failed(error) from error
    aside = f" {done.set_aside:,} rows could not be read." if done.set_aside else ""
    _say(f"{done.alarms:,} alarms from {done.readings:,} readings of {done.units:,} units, in {alarms}.{aside}", 0)


@app.command
def simulate(
    scenario: Annotated[str | None, Parameter(help="A ready-made scenario, or a scenario file (TOML).")] = None,
    /,
    *,
    out: Annotated[Path | None, Parameter(help="New folder for readings, fleet.toml and truth.jsonl.")] = None,
    plots: Annotated[bool, Parameter(help="Draw a page for each kind of fault in it, too.")] = False,
    mqtt: Annotated[str | None, Parameter(help="Publish at this broker instead, like mqtt://127.0.0.1:1883.")] = None,
    speed: Annotated[float | None, Parameter(help="With --mqtt: so many times as fast as time goes by.")] = None,
) -> None:
    """Let invented units live through a scenario: write down what they report and what was true, or publish it live.

    Without a scenario it lists the ready-made ones. The same scenario gives the same bytes.

    Example: stillready simulate cold-week --out winter
    """
    from monitor.commands.simulate import listed, simulated

    if scenario is None:
        print(listed())
    else:
        _say(simulated(scenario, out=out, plots=plots, mqtt=mqtt, speed=speed), 0)


@history.command(name="import")
def history_import(
    paths: Annotated[list[Path], Parameter(help="Parquet and CSV files, or folders of them.")],
    /,
    *,
    fleet: FleetFile = None,
    data: DataFolder = None,
    settings: SettingsFile = None,
) -> None:
    """Take readings in from files. Done again, it changes nothing more; a running `serve` may go on.

    Columns: time, unit, signal, value and, where known, received. What cannot be read goes to the quarantine.

    Example: stillready history import old/ --fleet fleet.toml --data data
    """
    import time

    from monitor.commands.progress import progress
    from monitor.fleet import load_fleet
    from monitor.history import UnreadableHistory, import_history

    given = _settings(settings, {"fleet": fleet, "data": data})
    known = load_fleet(given.fleet)
    given.data.mkdir(parents=True, exist_ok=True)
    with _stores(given, make=True) as (operations, readings), progress("Importing", "readings") as told:
        try:
            done = import_history(
                paths,
                known,
                readings,
                operations,
                at_ns=time.time_ns(),
                clock_tolerance_ns=given.clock_tolerance_ns,
                progress=told,
            )
        except (UnreadableHistory, OSError) as error:
            raise _failed(error) from error
    aside = f" {done.set_aside:,} were set aside, see `stillready quarantine list`." if done.set_aside else ""
    _say(f"{done.fresh:,} of {done.readings:,} readings were not there yet and are kept.{aside}", 0)


@history.command(name="export")
def history_export(
    *,
    out: Annotated[Path, Parameter(help="Folder for the files, one Parquet file a unit.")],
    unit: Annotated[list[str] | None, Parameter(help="Only this unit; can be given several times.")] = None,
    from_: FromTime = None,
    to: ToTime = None,
    data: DataFolder = None,
    settings: SettingsFile = None,
) -> None:
    """Write readings out, one Parquet file a unit; `replay` and other programs read them.

    Example: stillready history export --data data --out history --unit pump-house-1
    """
    from monitor.commands.progress import progress
    from monitor.history import export_history

    given = _settings(settings, {"data": data})
    from_ns, to_ns = _span(from_, to)
    with _stores(given) as (_, readings), progress("Exporting", "units") as told:
        missing = sorted(set(unit or ()) - {name for name, _ in readings.tracks()})
        if missing:
            raise CommandFailed(f"{given.data} holds no reading of {', '.join(missing)}. Check the name.")
        try:
            done = export_history(readings, out, units=unit, from_ns=from_ns, to_ns=to_ns, progress=told)
        except OSError as error:
            raise _failed(error) from error
    _say(f"{done.readings:,} readings in {len(done.files):,} files in {out}.", 0)


@quarantine.command(name="list")
def quarantine_list(
    *,
    unit: Annotated[str | None, Parameter(help="Only what names this unit.")] = None,
    reason: Annotated[str | None, Parameter(help="Only of this reason, like unknown_unit.")] = None,
    limit: Annotated[int, Parameter(help="At most so many.")] = 50,
    data: DataFolder = None,
    settings: SettingsFile = None,
) -> None:
    """List what could not be read, newest first: key, time, reason, where it came from, what to do.

    Example: stillready quarantine list --reason unknown_unit
    """
    from monitor.commands.quarantine import list_lines

    given = _settings(settings, {"data": data})
    with _stores(given) as (operations, _):
        _print(list_lines(operations, unit=unit, reason=reason, limit=limit))


@quarantine.command(name="show")
def quarantine_show(
    key: Annotated[str, Parameter(help="Key of the item, or how it begins.")],
    /,
    *,
    data: DataFolder = None,
    settings: SettingsFile = None,
) -> None:
    """Show all that is known of one item, its payload too.

    Example: stillready quarantine show 3f9a12c0
    """
    from monitor.commands.quarantine import show_lines

    given = _settings(settings, {"data": data})
    with _stores(given) as (operations, _):
        _print(show_lines(operations, key))


@quarantine.command(name="admit")
def quarantine_admit(
    unit: Annotated[str, Parameter(help="Name of the unit, as its topics have it.")],
    /,
    *,
    site: Annotated[str, Parameter(help="Site of the fleet file at which it stands.")],
    battery_nominal_voltage: Annotated[
        int | None, Parameter(help="12 or 24; without it 12 is assumed, and 24 V readings stay aside.")
    ] = None,
    fleet: FleetFile = None,
    data: DataFolder = None,
    settings: SettingsFile = None,
) -> None:
    """Write an unknown unit into the fleet file, and keep the readings that came before it stood there.

    A running `serve` watches the unit after a restart.

    Example: stillready quarantine admit pump-house-2 --site pump-house --battery-nominal-voltage 24
    """
    from monitor.commands.quarantine import admit

    given = _settings(settings, {"fleet": fleet, "data": data})
    with _stores(given) as (operations, readings):
        done = admit(
            operations,
            readings,
            given.fleet,
            given,
            unit=unit,
            site=site,
            battery_nominal_voltage=battery_nominal_voltage,
        )
    aside = f" {done.still_aside:,} could not be read even so, see `quarantine list`." if done.still_aside else ""
    _say(f"{unit} stands in {given.fleet}. {done.readings:,} readings were kept.{aside} Restart `stillready serve`.", 0)


@app.command
def check(
    *,
    fleet: FleetFile = None,
    data: DataFolder = None,
    broker: Annotated[str | None, Parameter(help="Broker, like mqtt://127.0.0.1:1883 or mqtts://host.")] = None,
    limits: Annotated[Path | None, Parameter(help="Limits file; the defaults hold without one.")] = None,
    settings: SettingsFile = None,
) -> None:
    """Look at settings, fleet, limits, visits, broker, mail server and data folder, and say what to mend.

    It ends with 1 where anything is at fault. A warning does not change the exit code.

    Example: stillready check --settings settings.toml
    """
    from monitor.commands.check import Grade, looks
    from monitor.visits import fetch_calendar

    given = _settings(settings, {"fleet": fleet, "data": data, "broker.url": broker, "limits": limits})
    grades: list[Grade] = []
    for looked in looks(given, fetch=fetch_calendar):
        grades.append(looked.grade)
        print(f"{looked.grade.value:<8} {looked.what:<10} {looked.text}", flush=True)
    faults, warnings = grades.count(Grade.BAD), grades.count(Grade.DOUBTFUL)
    if faults:
        raise CommandFailed(f"{faults} fault{'s' if faults != 1 else ''} to mend, {warnings} to look at.")
    _say(f"Ready to serve; {warnings} to look at." if warnings else "Ready to serve.", 0)


def _settings(path: Path | None, overrides: Mapping[str, object]) -> "Settings":
    import os

    from monitor.settings_sources import SETTINGS_VARIABLE, load_settings

    named = os.environ.get(SETTINGS_VARIABLE)
    return load_settings(path or (Path(named) if named else None), overrides)


@contextmanager
def _stores(settings: "Settings", *, make: bool = False) -> "Iterator[tuple[SqlOperations, EmbeddedReadings]]":
    """Both stores of a data folder. Unless told to make it: a wrong --data must not make a new, empty one."""
    from monitor.stores.embedded import EmbeddedReadings
    from monitor.stores.operations import FILE_NAME, SqlOperations
    from monitor.stores.protocols import StoreUnavailable

    if not make and not (settings.data / FILE_NAME).exists():
        raise CommandFailed(f"{settings.data} holds no data of Stillready. Name its folder with --data.")
    try:
        operations = SqlOperations(settings.data / FILE_NAME)
        try:
            readings = EmbeddedReadings(settings.data)
            try:
                yield operations, readings
            finally:
                readings.close()
        finally:
            operations.close()
    except StoreUnavailable as error:
        raise _failed(error) from error


def _span(from_text: str | None, to_text: str | None) -> tuple[int | None, int | None]:
    """Times of --from and --to in ns."""
    from monitor.times import from_rfc3339

    try:
        from_ns = None if from_text is None else from_rfc3339(from_text)
        to_ns = None if to_text is None else from_rfc3339(to_text)
    except ValueError as error:
        raise CommandFailed(str(error), WRONG_USE) from None
    if from_ns is not None and to_ns is not None and from_ns >= to_ns:
        raise CommandFailed("--from is not before --to. Exchange them.", WRONG_USE)
    return from_ns, to_ns


def _print(lines: Iterator[str]) -> None:
    for line in lines:
        print(line)


def _failed(error: Exception) -> CommandFailed:
    if isinstance(error, OSError) and error.strerror and error.filename:
        return CommandFailed(f"{error.filename}: {error.strerror}. Check the path and its rights.")
    return CommandFailed(str(error))
