"""One file a command: its options and what it does (row 5)."""

from sim.face.commands import check, demo, matrix, replay, run
from sim.face.options import Command

COMMANDS: dict[str, Command] = {
    "run": run,
    "replay": replay,
    "check": check,
    "matrix": matrix,
    "demo": demo,
}
"""Every command by its name, in the order in which the help lists them."""
