"""The five stages, from the bench to open water: what each is simulated as, what is done, what is told (row 4)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from sim.jobs.plan import tries
from sim.jobs.plan.hand import Hand
from sim.jobs.plan.tries import Place

# A propeller of a millimetre: its torque goes with the fifth power of the diameter, so that it is none.
NO_PROPELLER = {"propeller.diameter_m": 0.001}
# Electrodes of a nanometre: no water conducts from one to the other.
DRY_BUTTON = {"mode_button.electrode_radius_m": 1e-9}
LEAKS = (
    "The mode button is simulated dry, so that each step is the script's; the same script with the button wet is "
    "simulated beside it, and held against the same requirements."
)
ALIKE = "Both thrusters are alike in simulation; real ones differ as far as motors and propellers do."
TANK = "pool"
HANDS = "Two people: one drives, the other holds the kill cord and watches. Only they are near."
PACK = "The pack's charger is off; a bag or bucket for a lithium pack, and a way to throw it clear, are at hand."
GUARDED = "Propellers are guarded all round; nothing loose, no hair, no sleeve, no line is near them."
DRY = "Bearings and shaft seals that need water run dry only as long as their maker allows: pause between tries."
HOT = "A motor or speed controller too hot to keep a hand on (common practice, no source)."
SMELL = "Smoke, smell, a swelling cell, a cable or plug that gets warm: cord, then main plug, then away from it."
STEP = "The power step on the display changes although nobody made its gesture."
UNHELD = "Anything turns that nobody asks to turn."
WET = "Water where it must be dry: open nothing under way, cord first."
ALONE = "One thruster turns and the other does not, or they sound different."
SIGNED = "Every figure of stage {} is inside, or what lies outside is explained in writing; both have signed."


class Scene(NamedTuple):
    """What a stage happens in.

    water, attitude, vehicle_set : keys of its scenario.
    """

    water: str
    attitude: str
    vehicle_set: Mapping[str, float] = {}


@dataclass(frozen=True, slots=True)
class Kind:
    """One stage as it is planned for every vehicle; sentences as the page has them."""

    key: str
    title: str
    where: str
    scene: Callable[[Mapping[str, str]], Scene]
    script: Callable[[Hand, Place, int], None]
    place: Mapping[str, bool] = field(default_factory=dict)
    before: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    neglected: tuple[str, ...] = ()
    watch: tuple[str, ...] = ()
    after: tuple[str, ...] = ()


def _bare(hand: Hand, place: Place, steps: int) -> None:
    tries.power_on(hand, place)
    tries.lever_first(hand, place)
    tries.sweep(hand, place)
    tries.ride(hand, place, 2.5, tries.COAST_S)
    tries.slip(hand, place)
    tries.wire_off(hand, place)
    for _ in range(1, steps):
        hand.step_up()
        tries.ride(hand, place, 2.5, tries.COAST_S)
    tries.cord(hand, place, 2.5)


def _guarded(hand: Hand, place: Place, steps: int) -> None:
    tries.power_on(hand, place)
    tries.lever_first(hand, place)
    tries.ride(hand, place, 2.5, tries.COAST_S)
    for _ in range(1, steps):
        hand.step_up()
        tries.ride(hand, place, 2.5, tries.COAST_S)
    tries.cord(hand, place, 2.5)


def _tank(hand: Hand, place: Place, steps: int) -> None:
    tries.power_on(hand, place)
    tries.lever_first(hand, place)
    tries.ride(
        hand, place, 5.0, 2.0, "The worst current there is, at the gentlest step: leads and pack are seen by it."
    )
    for _ in range(1, steps):
        hand.step_up()
        tries.ride(hand, place, 5.0, 2.0)
    tries.slip(hand, place)
    tries.cord(hand, place, 3.0)


def _pool(hand: Hand, place: Place, steps: int) -> None:
    tries.power_on(hand, place)
    tries.ride(hand, place, 6.0, 4.0)
    hand.power_step = 1
    tries.slip(hand, place)
    for _ in range(1, steps):
        hand.step_up()
        tries.ride(hand, place, 6.0, 4.0)
    tries.cord(hand, place, 4.0)


def _open(hand: Hand, place: Place, steps: int) -> None:
    tries.power_on(hand, place)
    tries.ride(hand, place, 8.0, 4.0)
    for _ in range(1, steps):
        hand.step_up()
    tries.ride(hand, place, 15.0, 5.0, "A run at the highest step, for as long as pack and heat are of one mind.")
    tries.slip(hand, place)
    tries.cord(hand, place, 5.0)


KINDS: tuple[Kind, ...] = (
    Kind(
        key="dry_bare",
        title="Dry, no propellers",
        where="on the bench, in air; propellers off, shafts free, the vehicle clamped",
        scene=lambda given: Scene("air", "held", NO_PROPELLER),
        script=_bare,
        place={"bare": True},
        before=(
            "The regression suite (drydive check) passes with this controller and these parameters.",
            "The chip runs this controller with these parameters: the hashes on the first page are those of the build.",
            "Propellers are off and locked away. Shaft keys, pins and nuts are taped or off.",
            "With the cord out, a meter shows no voltage behind the main switch.",
        ),
        cautions=(HANDS, PACK, "A bare shaft still winds up a sleeve, a lead or hair: keep clear.", DRY),
        neglected=(
            "No propeller is simulated as one of a millimetre in air: no load at all but the motor's own friction.",
            "The rotors keep the file's inertia, which holds propeller and carried water: real ones coast shorter and "
            "surge less, so those figures are upper bounds.",
            "Heat goes off as in water; in air motors and ESCs get warmer.",
        ),
        watch=(UNHELD, STEP, HOT, SMELL),
        after=(SIGNED.format(1), "Propellers may go on: keys, pins and nuts as drawn, turned by hand, guards on."),
    ),
    Kind(
        key="dry_guarded",
        title="Dry, propellers on and guarded",
        where="on the bench, in air; propellers mounted in their guards, the vehicle clamped",
        scene=lambda given: Scene("air", "held"),
        script=_guarded,
        before=(
            "Stage 1 is signed.",
            "Each propeller turns free by hand, the right way round, in its guard.",
            "A screen stands between propellers and people; nobody is in their plane.",
        ),
        cautions=(HANDS, PACK, GUARDED, DRY),
        neglected=(
            "The rotors keep the file's inertia, which holds carried water: real ones coast shorter and surge less.",
            "Heat goes off as in water; in air motors and ESCs get warmer.",
        ),
        watch=(UNHELD, ALONE, "Vibration, rubbing, a guard that moves.", STEP, HOT, SMELL),
        after=(SIGNED.format(2), "The hull has held its leak test, closed as it will be in the water."),
    ),
    Kind(
        key="tank",
        title="Tank, tethered",
        where="held still in fresh water, tethered to a load cell or spring scale, both thrusters well under",
        scene=lambda given: Scene(TANK, "held"),
        script=_tank,
        place={"wet": True},
        before=(
            "Stage 2 is signed.",
            "Tether and anchor hold three times the pull expected at the highest step.",
            "The tank's own electrics are on a residual-current device; nobody is in the water.",
        ),
        cautions=(HANDS, PACK, GUARDED, "The load goes on for the first time: stand clear of the tether's line."),
        neglected=(
            "The water is still and without walls: in a small tank what comes round lowers or raises the pull.",
            "Air drawn from the surface takes load off; keep the propellers two diameters down.",
            ALIKE,
            LEAKS,
        ),
        watch=(UNHELD, ALONE, WET, STEP, SMELL),
        after=(
            SIGNED.format(3),
            "Inside it is dry. Cells are within 0.05 V of one another (common practice, no source).",
        ),
    ),
    Kind(
        key="pool",
        title="Pool, power step by power step",
        where="a pool to yourselves, rider on the vehicle as it will be used, a straight free way",
        scene=lambda given: Scene(TANK, given["attitude"]),
        script=_pool,
        place={"wet": True, "towed": True},
        before=(
            "Stage 3 is signed.",
            "A second person is in reach of the rider, with a line to the vehicle and a way to pull its cord.",
            "The rider has let go, and pulled the cord, with the power off, until it needs no thought.",
            "The highest step asks for a free way of at least {reach}; begin each ride at its end.",
        ),
        cautions=(PACK, GUARDED, "The rider breathes air at the surface: no diving in this stage.", HANDS),
        neglected=(
            "Course straight, water still; the turn, walls and the rider's kicks are not simulated.",
            "Propellers that the water turns while gliding are not simulated.",
            ALIKE,
            LEAKS,
        ),
        watch=(
            UNHELD,
            ALONE,
            "The nose goes up, down or round so that the rider must hold against it.",
            WET,
            STEP,
            SMELL,
        ),
        after=(SIGNED.format(4), "The rider wants to go on, and says so unasked."),
    ),
    Kind(
        key="open_water",
        title="Open water",
        where="sheltered {open}, no traffic, shore in reach; rider on the vehicle, boat or board beside",
        scene=lambda given: Scene(given["open"], given["attitude"]),
        script=_open,
        place={"wet": True, "towed": True},
        before=(
            "Stage 4 is signed, in this season's clothing and ballast.",
            "Local rules allow it; whoever watches the water knows of it.",
            "A boat or board with a second person stays beside; both know the sign for stop.",
            "The vehicle floats, with its rider and without.",
        ),
        cautions=(PACK, GUARDED, "Never deeper, farther or longer than one can swim back without the vehicle.", HANDS),
        neglected=(
            "No current, waves or weed. Propellers that the water turns while gliding are not simulated.",
            LEAKS,
        ),
        watch=(UNHELD, ALONE, WET, STEP, "Cold, breath, or anything the rider does not like.", SMELL),
        after=(
            "Recordings, this plan and the controller's hashes are kept together.",
            "What lay outside goes back into the vehicle file (drydive fit) before the next change.",
        ),
    ),
)
"""In the order in which they are done."""


def scripted(kind: Kind, hand: Hand, place: Place, steps: int) -> dict[str, Any]:
    """A stage's script: its rider's steps, faults, and how long it takes."""
    kind.script(hand, place, steps)
    return {"rider": hand.rider, "faults": hand.faults, "duration_s": round(hand.at_s + 0.5, 3)}
