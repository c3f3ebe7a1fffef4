/* The first draft of a controller, by hand in C: see controllers/first_draft.py for what it does and why it fails. */

#ifndef DRYDIVE_FIRST_DRAFT_H
#define DRYDIVE_FIRST_DRAFT_H

#include "loop.h"

typedef struct {
    whole tick_us, rest_counts, full_counts, button_ms, step_count, cap_permille[4], pulse_stop_us, pulse_full_us;
} controller_params;

typedef struct {
    whole counts, button, button_us, power_step;
} controller_state;

enum { CONTROLLER_NUMBERS = sizeof(controller_params) / 8 };

static whole between(whole value, whole low, whole high) {
    return value < low ? low : value > high ? high : value;
}

static controller_state controller_initial(const controller_params *params) {
    controller_state state = {params->rest_counts, 0, 0, 1};
    return state;
}

static command controller_step(const controller_params *params, controller_state *state, const pins *pins) {
    enum { STOPPED, DRIVE };
    enum { NONE, DEADMAN, CORD };
    whole travel = params->full_counts - params->rest_counts;
    command answer;

    state->counts = (3 * state->counts + between(pins->hall_counts, 0, 4095)) / 4;
    answer.lever_permille = between(state->counts - params->rest_counts, 0, travel) * 1000 / travel;

    state->button_us = pins->mode_button != state->button ? state->button_us + params->tick_us : 0;
    if (pins->mode_button != state->button && state->button_us >= params->button_ms * 1000) {
        state->button = pins->mode_button;
        state->button_us = 0;
        if (state->button == 1)
            state->power_step = state->power_step % params->step_count + 1;
    }

    answer.reason = pins->kill_cord == 0 ? CORD : pins->deadman == 0 ? DEADMAN : NONE;
    answer.mode = answer.reason == NONE ? DRIVE : STOPPED;
    whole cap = params->cap_permille[between(state->power_step, 1, 4) - 1];
    whole drive = answer.mode == DRIVE ? answer.lever_permille * cap / 1000 : 0;
    answer.left_pulse_us = params->pulse_stop_us + drive * (params->pulse_full_us - params->pulse_stop_us) / 1000;
    answer.right_pulse_us = answer.left_pulse_us;
    answer.power_step = answer.display = state->power_step;
    return answer;
}

#endif
