/* A controller that `export` wrote, for the loop in C: throttle.c is compiled beside it. */

#ifndef DRYDIVE_EXPORTED_H
#define DRYDIVE_EXPORTED_H

#include "loop.h"
#include "throttle.h"

/* Its parameters are constants in its source. */
enum { CONTROLLER_NUMBERS = 0 };
typedef whole controller_params;
typedef throttle_state_t controller_state;

static controller_state controller_initial(const controller_params *params) {
    controller_state state;
    (void)params;
    throttle_initial(&state);
    return state;
}

static command controller_step(const controller_params *params, controller_state *state, const pins *pins) {
    throttle_inputs_t inputs = {
        .hall_counts = (int32_t)pins->hall_counts,
        .sensor_supply_mv = (int32_t)pins->sensor_supply_mv,
        .bus_mv = (int32_t)pins->bus_mv,
        .pack_ma = (int32_t)pins->pack_ma,
        .deadman = (int32_t)pins->deadman,
        .mode_button = (int32_t)pins->mode_button,
        .kill_cord = (int32_t)pins->kill_cord,
        .left_rpm = (int32_t)pins->left_rpm,
        .right_rpm = (int32_t)pins->right_rpm,
    };
    throttle_command_t given;
    (void)params;
    throttle_step(state, &inputs, &given);
    command answer = {given.left_pulse_us, given.right_pulse_us, given.power_step,     given.display,
                      given.mode,          given.reason,         given.lever_permille};
    return answer;
}

#endif
