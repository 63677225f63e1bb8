"""A page of plots for each kind of fault: its four signals around the onset, beside a sound twin.

In: pairs of units as the showcase gives them. Out: one PNG a kind. May import: numpy, simulator; matplotlib, when asked
to draw (the extra 'plots'). Touches the folder it is given.

Left: what the unit reports, in the accent colour, pale where it came late, over what its sound twin reads, in grey.
Right: battery and gas second by second in the last start before the onset, grey, and in a start after it.
"""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from simulator.chance import SECOND_NS, Float64, Int64
from simulator.faults import MEANING, FaultKind
from simulator.showcase import AIR, NEEDED, SHOWN, Crank, Lived, Pair, pairs
from simulator.truth import NAMES

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ACCENT = "#b5401a"
PALE = "#e6b29c"  # what arrived late
GREY = "#9a9a9a"
INK = "#333333"
LABELS = ("Jacket water, Cel", "Battery, V", "Gas, kPa", "Enclosure, Cel")
SCALE = (1.0, 1.0, 1e-3, 1.0)  # from the signal's symbol to the label's
CRANK_SHOWN_S = 45.0
LATE_NS = 600 * SECOND_NS
WIDE_SHARE = 3.0  # of the time before the right column


def draw(folder: Path, *, kinds: Sequence[FaultKind] = (), told: Callable[[str], None] = lambda _: None) -> list[Path]:
    """Draw a page for each kind into a folder, made where it is missing.

    Args:
        kinds: none: all. told: is given a line now and then of how far it is.
    Returns: the files, one a kind, KIND.png.
    Raises:
        ModuleNotFoundError: matplotlib is missing; the sentence says how to get it.
    """
    if find_spec("matplotlib") is None:
        raise ModuleNotFoundError("Plots need matplotlib. Install it with: pip install 'stillready[plots]'")
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for pair in pairs(tuple(kinds) or tuple(SHOWN), told=told):
        path = folder / f"{pair.fault.kind.value}.png"
        # Without the program's version in it the same page is the same bytes.
        page(pair).savefig(path, dpi=90, metadata={"Software": None})
        files.append(path)
        told(str(path))
    return files


def page(pair: Pair) -> "Figure":
    """The page of one fault."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(15.0, 9.5), facecolor="white")
    figure.suptitle(_headline(pair), x=0.06, ha="left", fontsize=12, color=INK)
    grid = figure.add_gridspec(
        4, 2, width_ratios=(WIDE_SHARE, 1.0), left=0.06, right=0.985, top=0.925, bottom=0.05, hspace=0.2, wspace=0.13
    )
    first: Axes | None = None
    for row, name in enumerate(NEEDED):
        axes = figure.add_subplot(grid[row, 0], sharex=first)
        first = first or axes
        _plain(axes, LABELS[row])
        _over_time(axes, pair, name, SCALE[row])
        axes.tick_params(labelbottom=row == 3)
    axes.set_xlabel("days since the onset", fontsize=8, color=INK, loc="left")
    _days(first, pair)
    before, after = _starts(pair)
    for row, column in ((1, "volts"), (2, "pressure")):
        axes = figure.add_subplot(grid[row, 1])
        _plain(axes, f"{LABELS[row]}, seconds since the crank began")
        _second_by_second(axes, before, after, column, SCALE[row])
    notes = figure.add_subplot(grid[0, 1])
    notes.axis("off")
    notes.text(0.0, 1.0, _notes(pair, before, after), va="top", fontsize=8.5, color=INK, linespacing=1.5)
    return figure


def _headline(pair: Pair) -> str:
    fault = pair.fault
    what = fault.kind.value.replace("_", " ")
    return f"{what[0].upper()}{what[1:]}   ({', '.join(MEANING[fault.kind])})"


def _plain(axes: "Axes", label: str) -> None:
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color("#cccccc")
    axes.tick_params(colors=INK, labelsize=8, length=3)
    axes.grid(color="#eeeeee", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.set_title(label, loc="left", fontsize=9, color=INK, pad=3)


def _over_time(axes: "Axes", pair: Pair, name: str, scale: float) -> None:
    """One signal of both units, the onset, and the moment from which the unit is not ready."""
    if name == NEEDED[3]:
        axes.plot(*_seen(pair, pair.sound.time_ns, pair.sound.values[AIR]), ":", color=GREY, linewidth=0.8)
    axes.plot(*_seen(pair, pair.sound.time_ns, scale * pair.sound.values[name]), color=GREY, linewidth=1.0)
    stamps, value, received_ns = pair.unwell.reported[name]
    late = received_ns - stamps > LATE_NS
    for rows, colour in ((late, PALE), (~late, ACCENT)):
        axes.plot(*_seen(pair, stamps[rows], scale * value[rows]), ".", color=colour, markersize=1.6)
    axes.axvline(0.0, color=INK, linewidth=0.8, linestyle="--")
    if pair.not_ready is not None:
        axes.axvline((pair.not_ready.from_ns - pair.fault.from_ns) / (86_400 * SECOND_NS), color=ACCENT, linewidth=1.2)
    if pair.fault.to_ns is not None:
        axes.axvline((pair.fault.to_ns - pair.fault.from_ns) / (86_400 * SECOND_NS), color=INK, linewidth=0.8)


def _seen(pair: Pair, time_ns: Int64, value: Float64) -> tuple[Float64, Float64]:
    """Days since the onset, and values, within what is shown."""
    shown = (time_ns >= pair.from_ns) & (time_ns < pair.to_ns)
    return (time_ns[shown] - pair.fault.from_ns) / (86_400 * SECOND_NS), value[shown]


def _days(axes: "Axes | None", pair: Pair) -> None:
    assert axes is not None, "there are four signals"
    least, most = ((edge - pair.fault.from_ns) / (86_400 * SECOND_NS) for edge in (pair.from_ns, pair.to_ns))
    axes.set_xlim(least, most)
    axes.set_xticks(np.arange(np.ceil(least), np.floor(most) + 1.0))


def _starts(pair: Pair) -> tuple[Crank | None, Crank | None]:
    """The last start before the onset, and the last one within what is shown."""
    return (
        _last(pair.unwell, pair.from_ns - 30 * 86_400 * SECOND_NS, pair.fault.from_ns),
        _last(pair.unwell, pair.fault.from_ns, min(pair.to_ns, pair.fault.to_ns or pair.to_ns)),
    )


def _last(lived: Lived, from_ns: int, to_ns: int) -> Crank | None:
    inside = [crank for crank in lived.cranks if from_ns <= crank.run.from_ns < to_ns and len(crank.since_s)]
    return inside[-1] if inside else None


def _second_by_second(axes: "Axes", before: Crank | None, after: Crank | None, column: str, scale: float) -> None:
    for crank, colour in ((before, GREY), (after, ACCENT)):
        if crank is not None:
            shown = crank.since_s <= CRANK_SHOWN_S
            axes.plot(crank.since_s[shown], scale * getattr(crank, column)[shown], ".-", color=colour, linewidth=1.0)


def _notes(pair: Pair, before: Crank | None, after: Crank | None) -> str:
    fault, shown = pair.fault, SHOWN[pair.fault.kind]
    lines = [f"{shown.climate}, onset {_said(fault.from_ns)} (dashed)"]
    grows = f", grows over {fault.growth_s / 86_400:.3g} d" if fault.growth_s else ""
    lines += [f"severity {fault.severity:g}{grows}{f', {fault.signal}' if fault.signal else ''}"]
    if pair.not_ready is None:
        lines += ["never not ready for it in the time shown"]
    else:
        after_d = (pair.not_ready.from_ns - fault.from_ns) / (86_400 * SECOND_NS)
        lines += [f"not ready {after_d:.2f} d after it: {NAMES[pair.not_ready.reason]}"]
    lines += [f"{said}: {_told(crank)}" for said, crank in (("start before", before), ("start after", after)) if crank]
    lines += ["grey: the sound twin; dotted: outdoors\npale: arrived late"]
    return "\n".join(lines)


def _told(crank: Crank) -> str:
    run = crank.run
    least = f"least {run.least_block_volts:.2f} V a block, gas {run.least_gas_share:.2f}"
    return f"{'ran' if run.started else 'did not start'} {run.failed_because}\n    {_said(run.from_ns)}, {least}"


def _said(time_ns: int) -> str:
    return datetime.fromtimestamp(time_ns // SECOND_NS, UTC).strftime("%d %b %H:%M")
