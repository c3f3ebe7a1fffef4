"""Parameters that do not go together never get into a run: part of the suite, run by plain pytest."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sim.base.errors import InputError
from sim.jobs.case import Judged

VEHICLE = Path(__file__).parents[2] / "sim" / "moorhen" / "moorhen.yaml"

REFUSED = [
    pytest.param("reference", {"window_low_counts": 520}, "window_low_counts", id="rest outside the window"),
    pytest.param("reference", {"rest_counts": 3600}, "rest_counts", id="rest beyond full"),
    pytest.param("reference", {"window_high_counts": 3500}, "full_counts", id="full outside the window"),
    pytest.param("reference", {"click_press_min_ms": 400}, "click_press_min_ms", id="no press is long enough"),
    pytest.param("reference", {"click_gap_min_ms": 400}, "click_gap_min_ms", id="no pause is long enough"),
    pytest.param("reference", {"click_quiet_ms": 400}, "click_gap_max_ms", id="a pause that is an end too"),
    pytest.param("reference", {"bus_floor_mv": 46_000}, "bus_floor_mv", id="no room to fold back for the bus"),
    pytest.param("reference", {"pack_foldback_ma": 145_000}, "pack_foldback_ma", id="none for the current"),
    pytest.param("reference", {"pulse_full_us": 1000}, "pulse_stop_us", id="full is stop"),
    pytest.param("reference", {"supply_low_mv": 5100}, "supply_low_mv", id="nominal supply below its range"),
    pytest.param("reference", {"supply_high_mv": 4900}, "supply_nominal_mv", id="nominal supply above its range"),
    pytest.param("reference", {"cap_1_permille": 600}, "cap_1_permille", id="the gentlest step is not"),
    pytest.param("reference", {"cap_2_permille": 800}, "cap_2_permille", id="step 2 beyond step 3"),
    pytest.param("reference", {"cap_4_permille": 700}, "cap_3_permille", id="step 3 beyond step 4"),
    pytest.param("reference", {"clicks_up": 2}, "clicks_down", id="up and down by one gesture"),
    pytest.param("reference", {"lever_rest_ms": 50}, "lever_rest_ms", id="rest shorter than the filter"),
    pytest.param(
        "reference", {"deadman_press_ms": 35}, "deadman_press_ms", id="a press quicker than the lever is seen"
    ),
    pytest.param("reference", {"sensor_frozen_ms": 29}, "sensor_frozen_ms", id="frozen after a few samples"),
    pytest.param("first_draft", {"full_counts": 600}, "rest_counts", id="first draft, rest beyond full"),
    pytest.param("first_draft", {"pulse_full_us": 1000}, "pulse_stop_us", id="first draft, full is stop"),
]


@pytest.mark.parametrize(("controller", "changes", "key"), REFUSED)
def test_a_scenario_with_them_is_refused(
    controller: str, changes: dict[str, int], key: str, dive: Callable[..., Judged], tmp_path: Path
) -> None:
    """The scenario is refused before it runs, with one line that names the parameter."""
    written: dict[str, Any] = {"params_set": changes, "vehicle": str(VEHICLE), "controller": controller}
    lines = [f"{name}: {value}" for name, value in written.items()]
    rest = ["name: refused", "water: {kind: lake}", "attitude: held", "rider: []", "duration_s: 1"]
    path = tmp_path / "refused.scenario.yaml"
    path.write_text("\n".join([*lines, *rest]), encoding="utf-8")
    with pytest.raises(InputError) as refused:
        dive(path)
    (fault,) = refused.value.faults
    assert fault.key in (key, f"params_set.{key}")
