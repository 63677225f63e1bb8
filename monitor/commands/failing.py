"""How a command fails: one sentence on what is wrong and what to do, and the exit code.

Imports nothing, touches nothing.
"""

WRONG_USE = 2  # the command line itself is wrong, as for any other program
FAILED = 1


class CommandFailed(Exception):
    """A command cannot do what it was asked; the text says why and what to do."""

    def __init__(self, sentence: str, code: int = FAILED) -> None:
        super().__init__(sentence)
        self.code = code
