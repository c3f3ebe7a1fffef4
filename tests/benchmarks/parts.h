/* The slower parts of the world in C: sensor, contacts, kill cord, ESC, supply, protection, pack. See loop.c. */

#ifndef DRYDIVE_PARTS_H
#define DRYDIVE_PARTS_H

#include <math.h>

#include "loop.h"

static const double PI = 3.14159265358979323846;

static double least(double a, double b) { return a < b ? a : b; }
static double most(double a, double b) { return a > b ? a : b; }
static double held(double x, double low, double high) { return least(most(x, low), high); }

/* Throttle sensor, contacts, readings. */

static double hall_v(const hall_params *p, double *signal_v, const senses_tape *tape, double tesla, double rail_v,
                     double bus_a) {
    double ideal_v = 0.5 * rail_v + p->sensitivity_v_tesla * (rail_v / p->supply_v_nominal) * tesla;
    *signal_v += p->settled_frac * (ideal_v - *signal_v);
    switch ((int)tape->hall_fault) {
    case 1: /* open, pulled down */
    case 2: /* short to ground */
        return 0.0;
    case 3: /* short to the supply */
        return rail_v;
    }
    double headroom_v = least(p->headroom_v, 0.5 * rail_v);
    double out_v = *signal_v + tape->hall_noise_v + tape->hall_drift_v + p->ground_ohm * bus_a;
    return held(out_v, headroom_v, rail_v - headroom_v);
}

static whole converted(const adc_params *p, double pin_v, double rail_v) {
    double reference_v = p->follows_supply ? rail_v : p->reference_v;
    if (reference_v <= 0.0)
        return 0;
    return (whole)held(floor(pin_v / reference_v * (double)p->counts_max + 0.5), 0.0, (double)p->counts_max);
}

static void contact(const contact_params *p, contact_state *s, double closed, double leak_siemens, double rail_v) {
    double siemens = p->pullup_siemens + closed * p->closed_siemens + leak_siemens;
    double final_v = rail_v * p->pullup_siemens / siemens;
    if (p->filter_f > 0.0)
        s->line_v = final_v + (s->line_v - final_v) * exp(-p->dt_s * siemens / p->filter_f);
    else
        s->line_v = final_v;
    if (s->line_v <= p->low_frac * rail_v)
        s->reads = p->reads_closed;
    else if (s->line_v >= p->high_frac * rail_v)
        s->reads = 1 - p->reads_closed;
}

static whole milli(double value, double step) {
    if (step <= 0.0)
        return 0;
    return (whole)(floor(most(value, 0.0) / step + 0.5) * step * 1000.0 + 0.5);
}

static whole rpm(const senses_params *p, double rad_s) {
    return p->speed_fitted ? (whole)(rad_s * (30.0 / PI) + 0.5) : -1;
}

static double sense(const senses_params *p, senses_state *s, const senses_tape *tape, const outputs *seen,
                    const rotors_state *rotors, pins *pins) {
    double rail_v = seen->rail_v;
    double lead_tesla = 2e-7 * seen->bus_a / p->lead_distance_m;
    double sensor_v = hall_v(&p->hall, &s->signal_v, tape, tape->magnets_tesla + lead_tesla, rail_v, seen->bus_a);
    if (tape->hall_lost <= 0.5)
        s->counts = converted(&p->adc, sensor_v, rail_v);
    contact(&p->deadman, &s->deadman, tape->deadman_closed, tape->deadman_leak_siemens, rail_v);
    contact(&p->button, &s->button, tape->button_closed, tape->button_leak_siemens, rail_v);
    double cord_closed = seen->cord_in_place == p->cord_closed_in_place ? 1.0 : 0.0;
    contact(&p->cord, &s->cord, cord_closed, tape->cord_leak_siemens, rail_v);
    pins->hall_counts = s->counts;
    pins->sensor_supply_mv = (whole)(rail_v * 1000.0 + 0.5);
    pins->bus_mv = milli(seen->bus_v + tape->bus_noise_v, p->bus_step_v);
    pins->pack_ma = milli(seen->bus_a, p->current_step_a);
    pins->deadman = s->deadman.reads;
    pins->mode_button = s->button.reads;
    pins->kill_cord = s->cord.reads;
    pins->left_rpm = rpm(p, rotors->left_rad_s);
    pins->right_rpm = rpm(p, rotors->right_rad_s);
    return sensor_v;
}

/* Kill cord, ESC, supply, protection. */

static void cord_moves(const cord_params *p, cord_state *s, const machine_tape *tape, outputs *out) {
    int seated = tape->cord_seated > 0.5;
    s->away_s = seated ? 0.0 : s->away_s + p->dt_s;
    s->seated_s = seated ? s->seated_s + p->dt_s : 0.0;
    out->switch_closed = s->away_s <= p->open_delay_s || tape->switch_welded >= 0.5;
    out->cord_in_place = seated ? s->seated_s >= p->sense_delay_s : s->away_s <= p->sense_delay_s;
}

static void esc_moves(const esc_params *p, esc_state *s, double pulse_us, int frame, double bus_v) {
    enum { UNPOWERED, ARMING, READY, CUT, SIGNAL_LOST };
    int pulse = frame && pulse_us >= p->valid_us_min && pulse_us <= p->valid_us_max;
    double throttle = pulse ? held((pulse_us - p->stop_us) / (p->full_us - p->stop_us), 0.0, 1.0) : 0.0;
    int stop = pulse && throttle <= 0.0;
    int holding = p->on_lost == 1 && s->silent_s < p->lost_after_s + p->hold_s;
    int heard = stop || (pulse && (s->mode != SIGNAL_LOST || holding));
    s->silent_s = heard ? 0.0 : s->silent_s + p->dt_s;
    s->low_s = bus_v < p->cut_v ? s->low_s + p->dt_s : 0.0;
    int cuts = s->low_s > 0.0 && s->low_s >= p->cut_delay_s;
    if (bus_v < p->on_v) {
        s->mode = UNPOWERED;
    } else {
        switch (s->mode) {
        case UNPOWERED:
            s->mode = ARMING;
            s->armed_s = 0.0;
            break;
        case ARMING:
            s->armed_s = s->silent_s < p->lost_after_s && throttle <= 0.0 ? s->armed_s + p->dt_s : 0.0;
            if (s->armed_s >= p->arm_s)
                s->mode = READY;
            break;
        case READY:
            if (cuts)
                s->mode = CUT;
            else if (s->silent_s >= p->lost_after_s)
                s->mode = SIGNAL_LOST;
            else if (pulse)
                s->target_frac = throttle;
            break;
        case CUT:
            if (stop && s->low_s <= 0.0)
                s->mode = READY;
            break;
        case SIGNAL_LOST:
            if (heard) {
                s->mode = READY;
                s->target_frac = throttle;
            } else if (cuts) {
                s->mode = CUT;
            }
        }
    }
    if (s->mode != READY && !(s->mode == SIGNAL_LOST && holding))
        s->target_frac = 0.0;
    double slewed = held(s->target_frac, s->duty_frac - p->fall_frac_s * p->dt_s,
                         s->duty_frac + p->rise_frac_s * p->dt_s);
    s->duty_frac = s->mode == READY || s->mode == SIGNAL_LOST ? slewed : 0.0;
}

static double rail_from(const supply_params *p, double hold_v) {
    return p->rail_v_nominal * least(hold_v / p->converter_v_min, 1.0);
}

/* The rail; and, through `load_w`, what is drawn from the feed. */
static double supply_moves(const supply_params *p, supply_state *s, double feed_v, double reset, double *load_w) {
    enum { RUNNING, HELD, BOOTING };
    double drawn_w = p->load_w / p->efficiency_frac;
    double fed_v = feed_v - p->diode_v;
    double carried_v = sqrt(most(s->hold_v * s->hold_v - 2.0 * drawn_w * p->dt_s / p->hold_f, 0.0));
    int carries = fed_v < carried_v;
    s->hold_v = carries ? carried_v : fed_v;
    *load_w = carries ? 0.0 : drawn_w;
    double rail_v = rail_from(p, s->hold_v);
    double booted_s = 0.0;
    if (rail_v < p->brown_out_v || reset > 0.5) {
        s->resets += s->chip != HELD;
        s->chip = HELD;
    } else if (s->chip == HELD) {
        if (rail_v >= p->brown_out_v_release)
            s->chip = BOOTING;
    } else if (s->chip == BOOTING) {
        booted_s = s->boot_s + p->dt_s;
        if (booted_s >= p->boot_s)
            s->chip = RUNNING;
    }
    s->boot_s = booted_s;
    return rail_v;
}

static void timed(double *timer_s, int past, double dt_s) { *timer_s = past ? *timer_s + dt_s : 0.0; }
static int over(double timer_s, double delay_s) { return timer_s > 0.0 && timer_s >= delay_s; }

static void protection_moves(const protection_params *p, protection_state *s, double cell_v, double amperes,
                             double degc, double release) {
    enum { CLOSED, CELL_LOW, CURRENT_HIGH, CURRENT_SHORT, TOO_WARM };
    timed(&s->low_s, cell_v < p->cell_v_low, p->dt_s);
    timed(&s->slow_s, amperes > p->slow_a, p->dt_s);
    timed(&s->fast_s, amperes > p->fast_a, p->dt_s);
    timed(&s->warm_s, degc > p->warm_degc, p->dt_s);
    if (release > 0.5) {
        s->tripped = CLOSED;
        s->low_s = s->warm_s = 0.0;
    }
    if (s->tripped != CLOSED)
        return;
    if (over(s->fast_s, p->fast_delay_s))
        s->tripped = CURRENT_SHORT;
    else if (over(s->slow_s, p->slow_delay_s))
        s->tripped = CURRENT_HIGH;
    else if (over(s->low_s, p->cell_low_delay_s))
        s->tripped = CELL_LOW;
    else if (over(s->warm_s, p->warm_delay_s))
        s->tripped = TOO_WARM;
}

/* Pack. */

typedef struct {
    double factor, emf_v, ohm, weak_emf_v, weak_ohm;
} source;

static double interpolated(const double table[TABLE_POINTS], double frac) {
    double place = held(frac, 0.0, 1.0) * (TABLE_POINTS - 1);
    int index = (int)place;
    if (index > TABLE_POINTS - 2)
        index = TABLE_POINTS - 2;
    return table[index] + (table[index + 1] - table[index]) * (place - index);
}

static source pack_source(const pack_params *p, const pack_state *s, double degc) {
    source now;
    double per_k = 1.0 / (most(degc, -60.0) + 273.15) - 1.0 / (25.0 + 273.15);
    now.factor = (1.0 + p->resistance_growth_frac) * exp(p->activation_j_mol / 8.314462618 * per_k);
    double polarised_v = s->v1_v + s->v2_v;
    double weak_v = interpolated(p->ocv_v, s->weak_soc_frac);
    double mean_ohm = p->r0_ohm * interpolated(p->r0_shape, s->soc_frac) * now.factor / p->series;
    now.weak_ohm = mean_ohm * p->weak_resistance_frac;
    now.emf_v = (p->series - 1.0) * interpolated(p->ocv_v, s->soc_frac) + weak_v - polarised_v;
    now.ohm = (p->series - 1.0) * mean_ohm + now.weak_ohm;
    now.weak_emf_v = weak_v - p->weak_resistance_frac * polarised_v / p->series;
    return now;
}

static void pack_moves(const pack_params *p, pack_state *s, double amperes, double factor, double dt_s) {
    double used = amperes * dt_s / (p->capacity_c * (1.0 - p->capacity_loss_frac));
    s->soc_frac -= used;
    s->weak_soc_frac -= used / p->weak_capacity_frac;
    s->v1_v = s->v1_v * p->keep1_frac + amperes * factor * p->r1_ohm * (1.0 - p->keep1_frac);
    s->v2_v = s->v2_v * p->keep2_frac + amperes * factor * p->r2_ohm * (1.0 - p->keep2_frac);
}

#endif
