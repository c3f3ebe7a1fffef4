"""The search for a whole number, against trying every one."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from sim.jobs.tune.search import Found, largest, on_grid, smallest

# A range, and which of its values pass.
CLAIMS = st.integers(-60, 60).flatmap(
    lambda low: st.tuples(st.just(low), st.lists(st.booleans(), min_size=1, max_size=150), st.integers(0, 5))
)


@given(st.integers(-60, 60), st.integers(0, 150), st.integers(0, 150), st.integers(0, 5))
def test_of_a_monotone_claim_the_smallest_is_the_one_that_trying_all_finds(
    low: int, count: int, fails: int, probes: int
) -> None:
    """Every value from some one on passes: that one is found, or none where even the last fails."""
    passing = {low + place: place >= fails for place in range(count + 1)}
    found = smallest(passing.__getitem__, low, low + count, probes)
    assert found.value == min((value for value, passed in passing.items() if passed), default=None)
    assert found.gap is None


@given(CLAIMS)
def test_of_any_claim_no_failure_that_was_seen_lies_on_the_safe_side(claim: tuple[int, list[bool], int]) -> None:
    """The value found passes, and so does every value tried from it on; just below it one fails or nothing is left."""
    low, passed, probes = claim
    passing = {low + place: each for place, each in enumerate(passed)}
    found = smallest(passing.__getitem__, low, max(passing), probes)
    if not passed[-1]:
        assert found.value is None
        return
    assert found.value is not None
    assert all(each for value, each in found.tried.items() if value >= found.value)
    assert found.value == low or not passing[found.value - 1]


@given(CLAIMS)
def test_a_gap_is_told_whenever_one_was_seen(claim: tuple[int, list[bool], int]) -> None:
    """A gap is a tried value that passes beyond one that fails; it is told exactly where there is one."""
    low, passed, probes = claim
    found = smallest(lambda value: passed[value - low], low, low + len(passed) - 1, probes)
    pairs = [
        (one, other) for one, good in found.tried.items() for other, bad in found.tried.items()
        if good and not bad and one < other
    ]  # fmt: skip
    assert (found.gap in pairs) if pairs and found.value is not None else found.gap is None


@given(CLAIMS)
def test_the_largest_is_the_smallest_seen_in_a_mirror(claim: tuple[int, list[bool], int]) -> None:
    """Turning the claim round turns the answer round."""
    low, passed, probes = claim
    high = low + len(passed) - 1
    there = largest(lambda value: passed[value - low], low, high, probes)
    back = smallest(lambda value: passed[-value - low], -high, -low, probes)
    assert there.value == (None if back.value is None else -back.value)
    assert there.tried == {-value: each for value, each in back.tried.items()}


@given(CLAIMS)
def test_no_value_is_asked_twice(claim: tuple[int, list[bool], int]) -> None:
    """Each question costs a run of every corner."""
    low, passed, probes = claim
    asked: list[int] = []

    def passes(value: int) -> bool:
        asked.append(value)
        return passed[value - low]

    smallest(passes, low, low + len(passed) - 1, probes)
    assert len(asked) == len(set(asked))


@given(st.integers(1, 50), st.integers(0, 2000), st.integers(0, 2000), st.integers(0, 2000))
def test_what_is_found_on_a_grid_is_a_multiple_that_passes(grid: int, low: int, more: int, limit: int) -> None:
    """The highest multiple within the range up to the limit; the top alone is tried where the range holds none."""
    high = low + more
    found: Found = on_grid(largest, lambda value: value <= limit, low, high, grid)
    multiples = [value for value in range(low, high + 1) if value % grid == 0]
    wanted = max((value for value in multiples if value <= limit), default=None)
    assert found.value == (wanted if multiples else high if high <= limit else None)
