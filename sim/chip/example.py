"""A main loop to start a firmware from (row 1)."""

from __future__ import annotations

from collections.abc import Sequence

from sim.chip.layout import remark
from sim.chip.names import PREFIX

EXAMPLE = "main_example.c"


def example_text(banner: Sequence[str], tick: str) -> str:
    """main_example.c: where a board's own code goes.

    Parameters
    ----------
    tick : the control tick, in words.
    """
    return "\n".join(remark(banner)) + _EXAMPLE.replace("@TICK@", tick)


_EXAMPLE = f"""
#include "{PREFIX}.h"

/* What the board gives. Define these five beside its drivers; nothing else here knows the hardware.
 */

/* Clocks, converter, inputs with their pull-ups, a timer for the tick, and no pulses yet: pull the
 * pulse lines down in hardware, so that they are silent while the chip is in reset. Turn the
 * brown-out detector on, and a watchdog that runs out after a few ticks and resets the chip.
 */
void board_start(void);

/* Return once every tick, @TICK@, by a hardware timer and not by counting
 * instructions: the controller adds up ticks to measure time. A tick that is late is lost time, so
 * leave room.
 */
void board_wait_for_tick(void);

/* Fill every field, all of them sampled in this tick: the converter's readings in the units that
 * the fields' names end with, 1 or 0 for the contacts as the comments in the header say, and for
 * what is not fitted the value told there.
 */
void board_read({PREFIX}_inputs_t *inputs);

/* Set the pulse widths; 0 sends none. Hand the values to the timer so that it takes them at the end
 * of a pulse: a pulse cut short is a wrong pulse. Show the display's number.
 */
void board_write(const {PREFIX}_command_t *command);

/* Only here: a watchdog fed from an interrupt would be fed while this loop hangs. */
void board_feed_watchdog(void);

int main(void)
{{
    {PREFIX}_state_t state;
    {PREFIX}_inputs_t inputs;
    {PREFIX}_command_t command;

    board_start();
    /* After every reset, whatever its cause, the controller starts anew: keep no state in memory
     * that outlives one.
     */
    {PREFIX}_initial(&state);
    for (;;) {{
        board_wait_for_tick();
        board_read(&inputs);
        {PREFIX}_step(&state, &inputs, &command);
        board_write(&command);
        board_feed_watchdog();
    }}
}}
"""
