"""Where the demo's world stands, kept in the demo's folder: the next start goes on from there.

In: a folder, the scenario of the story. Out: what was kept, or why it is not to be used. May import: simulator. Touches
one file in the demo's folder.
"""

import os
from pathlib import Path

from simulator.keeping import NotKept, as_text, from_text
from simulator.ongoing import Kept
from simulator.scenario import Scenario

FILE_NAME = "world.json"


def load(directory: Path, scenario: Scenario) -> Kept:
    """Where the world of a scenario stood.

    Raises:
        NotKept: nothing was kept, or it cannot be used; the sentence says why.
    """
    try:
        text = (directory / FILE_NAME).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        raise NotKept("it cannot be read") from None
    return from_text(text, scenario)


def save(kept: Kept, scenario: Scenario, directory: Path) -> None:
    """Keep where the world of a scenario stands, whole or not at all."""
    path = directory / FILE_NAME
    beside = path.with_suffix(".new")
    beside.write_text(as_text(kept, scenario), encoding="utf-8")
    os.replace(beside, path)
