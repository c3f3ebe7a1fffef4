"""What a requirement comes to on one recording (row 3)."""

from __future__ import annotations

from typing import Literal, NamedTuple

Outcome = Literal["pass", "fail", "undecided"]


class Finding(NamedTuple):
    """An outcome with how close it was, when, and why.

    margin : distance to failing in `unit`, negative when failed; `None` when
        undecided and where only states decided, which have no distance.
    at_s : the moment it hangs on; `None` where no moment does.
    tried : how many times the occasion the requirement speaks of arose; `None`
        where it speaks of the whole run.
    """

    verdict: Outcome
    margin: float | None
    unit: str
    at_s: float | None
    why: str
    tried: int | None = None
