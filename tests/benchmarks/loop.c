/* The closed loop in C by hand: the same equations as sim/world and sim/bench/loop.py, written anew.
 *
 * It is the yardstick of engines.py and, being a second implementation, the evidence of tests/test_loop_in_c.py:
 * a change of the equations belongs in both. Sources and limits of each equation stand in docs/physics.md. Written
 * as a builder would who wants this loop fast and writes it for one machine: it checks nothing.
 *
 * CONTROLLER names the header of the controller; controllers exported as C take exported.h. */

#include <math.h>
#include <string.h>

#include "drive.h"
#include "loop.h"
#include "parts.h"

#ifndef CONTROLLER
#define CONTROLLER "first_draft.h"
#endif
#include CONTROLLER

/* Machine. */

static double warmer(const heat_params *p, double degc, double around_degc, double watts) {
    double final_degc = around_degc + watts * p->resistance_k_w;
    return final_degc + (degc - final_degc) * p->keep_frac;
}

static void warmth_moves(const warmth_params *p, warmth_state *s, const double copper_w[2], const double share[2],
                         double idle_w, double switch_w, double pack_w) {
    double around = p->around_degc;
    s->left_esc = warmer(&p->esc, s->left_esc, around, copper_w[0] * share[0] + idle_w);
    s->right_esc = warmer(&p->esc, s->right_esc, around, copper_w[1] * share[1] + idle_w);
    s->left_motor = warmer(&p->motor, s->left_motor, around, copper_w[0] * (1.0 - share[0]));
    s->right_motor = warmer(&p->motor, s->right_motor, around, copper_w[1] * (1.0 - share[1]));
    s->mosfets = warmer(&p->mosfets, s->mosfets, around, switch_w);
    s->pack = warmer(&p->pack, s->pack, around, pack_w);
}

static void hull_moves(const hull_params *p, hull_state *s, double thrust_n) {
    double before = s->speed_m_s;
    if (!p->held) {
        double drag = p->drag_kg_m * fabs(before), rate = p->dt_s / p->mass_kg;
        double pulled_n = thrust_n * (1.0 - p->deduction_frac) - drag * before;
        s->speed_m_s += rate * pulled_n / (1.0 + rate * drag);
    }
    s->distance_m += 0.5 * (before + s->speed_m_s) * p->dt_s;
}

static int frame_ends(const machine_params *p, whole t_us, whole offset_us) {
    return (t_us + p->esc.frame_us - offset_us) % p->esc.frame_us < p->tick_us;
}

static double winding_ohm(const motor_params *p, double degc) {
    return p->winding_ohm * (1.0 + 0.00393 * (degc - 20.0)) / (1.0 + 0.00393 * 5.0);
}

static void move(const machine_params *p, machine_state *s, const machine_tape *tape, whole t_us,
                 const command *command, outputs *out) {
    cord_moves(&p->cord, &s->cord, tape, out);
    double left_us = (double)command->left_pulse_us * tape->left_wire;
    double right_us = (double)command->right_pulse_us * tape->right_wire;
    esc_moves(&p->esc, &s->left_esc, left_us, frame_ends(p, t_us, 0), s->bus_v);
    esc_moves(&p->esc, &s->right_esc, right_us, frame_ends(p, t_us, p->right_frame_offset_us), s->bus_v);

    int powered = s->protection.tripped == 0;
    int on = powered && out->switch_closed;
    source behind = pack_source(&p->pack, &s->pack, s->warmth.pack);
    double warmer_frac = p->mosfets.temperature_frac_k * (s->warmth.mosfets - 25.0);
    double switch_ohm = p->mosfets.on_ohm * most(1.0 + warmer_frac, 0.5) / p->mosfets.parallel;
    double left_duty = on ? s->left_esc.duty_frac * tape->left_alive : 0.0;
    double right_duty = on ? s->right_esc.duty_frac * tape->right_alive : 0.0;
    double left_ohm = winding_ohm(&p->drivetrain.motor, s->warmth.left_motor) + p->esc.on_ohm;
    double right_ohm = winding_ohm(&p->drivetrain.motor, s->warmth.right_motor) + p->esc.on_ohm;
    thruster left = {.duty_frac = left_duty, .ohm = left_ohm, .limit_a = p->esc.current_a_max,
                     .fouling = tape->left_fouling, .rad_s = s->rotors.left_rad_s};
    thruster right = {.duty_frac = right_duty, .ohm = right_ohm, .limit_a = p->esc.current_a_max,
                      .fouling = tape->right_fouling, .rad_s = s->rotors.right_rad_s};
    double watts = powered ? s->logic_w + (on ? 2.0 * p->esc.idle_w : 0.0) : 0.0;
    double inflow_m_s = most(s->hull.speed_m_s * (1.0 - p->hull.wake_frac), 0.0);
    driven ran = drive(&p->drivetrain, &left, &right, powered, behind.emf_v,
                       behind.ohm + p->leads_ohm + tape->extra_ohm + switch_ohm, watts, inflow_m_s);
    s->rotors.left_rad_s = left.rad_s;
    s->rotors.right_rad_s = right.rad_s;

    double mean_a = ran.charge_c / p->dt_s;
    double polarised_v = s->pack.v1_v + s->pack.v2_v;
    out->pack_v = powered ? behind.emf_v - ran.node_a * behind.ohm : 0.0;
    out->cell_v_min = behind.weak_emf_v - ran.node_a * behind.weak_ohm;
    s->bus_v = on ? ran.node_v : 0.0;
    out->rail_v = supply_moves(&p->supply, &s->supply, p->logic_behind_switch ? s->bus_v : out->pack_v,
                               tape->chip_reset, &s->logic_w);
    protection_moves(&p->protection, &s->protection, out->cell_v_min, ran.node_a, s->warmth.pack, tape->release);
    double copper_w[2] = {left.copper_j / p->dt_s, right.copper_j / p->dt_s};
    double share[2] = {p->esc.on_ohm / left_ohm, p->esc.on_ohm / right_ohm};
    warmth_moves(&p->warmth, &s->warmth, copper_w, share, p->esc.idle_w, mean_a * mean_a * switch_ohm,
                 (behind.ohm * mean_a + polarised_v) * mean_a);
    double lost_j = ran.series_j + left.copper_j + right.copper_j + ran.friction_j;
    s->energy.source_j += (behind.emf_v + polarised_v) * ran.charge_c;
    s->energy.heat_j += lost_j + watts * p->dt_s + polarised_v * ran.charge_c;
    s->energy.shaft_j += ran.shaft_j;
    pack_moves(&p->pack, &s->pack, mean_a, behind.factor, p->dt_s);
    out->left_thrust_n = left.thrust_n / (double)p->drivetrain.substeps;
    out->right_thrust_n = right.thrust_n / (double)p->drivetrain.substeps;
    hull_moves(&p->hull, &s->hull, out->left_thrust_n + out->right_thrust_n);
    out->bus_v = s->bus_v;
    out->bus_a = ran.node_a;
    out->left_motor_a = left.amperes;
    out->right_motor_a = right.amperes;
    out->collapsed = ran.collapsed;
}

/* Record. */

static double *esc_noted(double *row, const esc_state *s) {
    double values[] = {(double)s->mode, s->armed_s, s->silent_s, s->low_s, s->target_frac, s->duty_frac};
    memcpy(row, values, sizeof values);
    return row + 6;
}

static void noted(double row[COLUMNS], double sensor_v, const pins *i, const command *c, const senses_state *l,
                  const machine_state *m, const outputs *o) {
    double first[] = {
        sensor_v, i->hall_counts, i->sensor_supply_mv, i->bus_mv, i->pack_ma, i->deadman, i->mode_button, i->kill_cord,
        i->left_rpm, i->right_rpm, c->left_pulse_us, c->right_pulse_us, c->power_step, c->display, c->mode, c->reason,
        c->lever_permille, l->deadman.line_v, l->deadman.reads, l->button.line_v, l->button.reads, l->cord.line_v,
        l->cord.reads, o->bus_v, o->bus_a, o->pack_v, o->cell_v_min, o->rail_v, o->cord_in_place, o->switch_closed,
        o->left_motor_a, o->right_motor_a, o->left_thrust_n, o->right_thrust_n, o->collapsed,
    };
    double last[] = {
        m->rotors.left_rad_s, m->rotors.right_rad_s, m->hull.speed_m_s, m->hull.distance_m, m->pack.soc_frac,
        m->pack.weak_soc_frac, m->pack.v1_v, m->pack.v2_v, m->protection.tripped, m->protection.low_s,
        m->protection.slow_s, m->protection.fast_s, m->protection.warm_s, m->supply.hold_v, m->supply.chip,
        m->supply.boot_s, m->supply.resets, m->warmth.left_esc, m->warmth.right_esc, m->warmth.left_motor,
        m->warmth.right_motor, m->warmth.mosfets, m->warmth.pack, m->energy.source_j, m->energy.heat_j,
        m->energy.shaft_j,
    };
    memcpy(row, first, sizeof first);
    row = esc_noted(row + sizeof first / sizeof *first, &m->left_esc);
    row = esc_noted(row, &m->right_esc);
    memcpy(row, last, sizeof last);
}

/* The whole run; `wanted` are the columns to keep, `recorded` has one row of `ticks` numbers for each. */
void loop_run(const controller_params *control, const senses_params *sensing, const machine_params *p,
              const machine_state *start, const senses_tape *sensed_rows, const machine_tape *moved_rows, whole ticks,
              const whole *wanted, whole columns, double *recorded) {
    const command silent = {0, 0, 0, 0, -1, 0, 0};
    machine_state m = *start;
    outputs o = {.rail_v = rail_from(&p->supply, m.supply.hold_v), .bus_v = m.bus_v, .cord_in_place = 1};
    senses_state l = {0.5 * sensing->hall.supply_v_nominal,
                      {o.rail_v, 1 - sensing->deadman.reads_closed},
                      {o.rail_v, 1 - sensing->button.reads_closed},
                      {o.rail_v, 1 - sensing->cord.reads_closed},
                      0};
    controller_state logic = controller_initial(control);
    int fresh = 1;
    for (whole tick = 0; tick < ticks; tick++) {
        pins i;
        command c = silent;
        double row[COLUMNS];
        double sensor_v = sense(sensing, &l, sensed_rows + tick, &o, &m.rotors, &i);
        if (m.supply.chip == 0) {
            c = controller_step(control, &logic, &i);
            fresh = 0;
        } else if (!fresh) {
            logic = controller_initial(control);
            fresh = 1;
        }
        move(p, &m, moved_rows + tick, tick * p->tick_us, &c, &o);
        noted(row, sensor_v, &i, &c, &l, &m, &o);
        for (whole column = 0; column < columns; column++)
            recorded[column * ticks + tick] = row[wanted[column]];
    }
}

/* For whoever packs them: how many numbers each struct takes. */
const whole loop_sizes[] = {CONTROLLER_NUMBERS, sizeof(senses_params) / 8, sizeof(machine_params) / 8,
                            sizeof(machine_state) / 8};
