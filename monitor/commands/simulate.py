"""`stillready simulate`: play a scenario into a folder, or to a broker.

In: the name of a scenario or its file, a folder, a broker's address. Out: history, fleet file, truth and plots in the
folder; readings at the broker; a sentence on what came of it. May import: the simulator, monitor.commands, which bring
numpy, pyarrow, paho and, for plots, matplotlib. Touches the folder and the broker it is given.
"""

import threading
from pathlib import Path

from monitor.commands.failing import WRONG_USE, CommandFailed
from monitor.commands.progress import progress
from simulator.playing import write
from simulator.scenario import READY_MADE, Scenario, load_scenario, ready_made
from simulator.toml_door import ScenarioFaults

SPEED_MAX = 100_000.0  # far beyond what any broker takes of one unit


def listed() -> str:
    """The ready-made scenarios, one a line, each with the first sentence of its head."""
    names = ready_made()
    width = max(len(name) for name in names)
    heads = [(READY_MADE / f"{name}.toml").read_text("utf-8").splitlines()[0].lstrip("# ") for name in names]
    return "\n".join(f"{name:<{width}}  {head}" for name, head in zip(names, heads, strict=True))


def simulated(named: str, *, out: Path | None, plots: bool, mqtt: str | None, speed: float | None) -> str:
    """Play a scenario, into a folder or to a broker.

    Args:
        named: a ready-made scenario, or a file. out: the folder. plots: a page for each kind of fault in it, too.
        mqtt: address of a broker. speed: so many times as fast as time goes by; None: as time goes by.
    Returns: a sentence on what was done.
    Raises:
        CommandFailed: the words do not fit together, the scenario cannot be played, the folder cannot be written, or
            the broker is not reached.
    """
    if (out is None) == (mqtt is None):
        raise CommandFailed("Say where it is to go: --out FOLDER, or --mqtt mqtt://HOST:PORT.", WRONG_USE)
    if mqtt is not None and plots:
        raise CommandFailed("--plots draws into the folder of --out. Leave it out beside --mqtt.", WRONG_USE)
    if mqtt is None and speed is not None:
        raise CommandFailed("--speed is for --mqtt; a folder is written as fast as it goes. Leave it out.", WRONG_USE)
    if speed is not None and not 0.0 < speed <= SPEED_MAX:
        raise CommandFailed(
            f"--speed is {speed:g}, where more than 0 and at most {SPEED_MAX:g} was expected.", WRONG_USE
        )
    try:
        scenario = load_scenario(named)
    except ScenarioFaults as error:
        raise CommandFailed(str(error)) from error
    if out is not None:
        return _written(scenario, out, plots=plots)
    assert mqtt is not None, "one of the two is there"
    return _published(scenario, mqtt, 1.0 if speed is None else speed)


def _written(scenario: Scenario, out: Path, *, plots: bool) -> str:
    try:
        with progress(f"Simulating {scenario.name}", "days") as told:
            done = write(scenario, out, told=told)
        drawn = _drawn(scenario, out / "plots") if plots else ""
    except OSError as error:
        raise CommandFailed(str(error)) from error
    return f"{done.readings:,} readings of {done.units:,} units in {done.days:,} days, and the truth, in {out}.{drawn}"


def _drawn(scenario: Scenario, folder: Path) -> str:
    from simulator.plots import draw

    kinds = sorted({fault.kind for fault in scenario.faults})
    if not kinds:
        return " No plots: nothing fails in this scenario."
    try:
        files = draw(folder, kinds=kinds)
    except ModuleNotFoundError as error:
        raise CommandFailed(str(error)) from error
    return f" {len(files)} plots in {folder}."


def _published(scenario: Scenario, url: str, speed: float) -> str:
    from simulator.live import NotReached, publish

    try:
        with progress(f"Publishing {scenario.name}", "readings") as told:
            count = publish(scenario, url, speed=speed, stop=threading.Event(), told=lambda _, sent: told(sent, 0))
    except (NotReached, OSError, ValueError) as error:
        raise CommandFailed(str(error)) from error
    return f"{count:,} readings of {len(scenario.units):,} units were published at {url}."
