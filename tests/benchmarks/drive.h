/* Bus and thrusters in C, the part of the world that moves in substeps. See loop.c. */

#ifndef DRYDIVE_DRIVE_H
#define DRYDIVE_DRIVE_H

#include <math.h>

#include "loop.h"
#include "parts.h"

enum way { IDLE, OHMIC, LIMITED };

typedef struct {
    double duty_frac, ohm, limit_a, fouling; /* held over a tick */
    double rad_s, back_v;
    enum way way;
    double amperes, slope_nm_s;
    double thrust_n, copper_j; /* sums over the substeps */
} thruster;

typedef struct {
    double node_v, node_a, charge_c, series_j, friction_j, shaft_j;
    whole collapsed;
} driven;

static enum way way_at(const thruster *t, double bus_v) {
    double over_v = t->duty_frac * bus_v - t->back_v;
    return over_v <= 0.0 ? IDLE : over_v > t->limit_a * t->ohm ? LIMITED : OHMIC;
}

static double limit_w(const thruster *t) { return t->limit_a * (t->limit_a * t->ohm + t->back_v); }

/* E - R (G V - J + P / V) = V, the upper root; -1 without any. */
static double bus_at(const thruster *l, enum way lw, const thruster *r, enum way rw, double emf_v, double ohm,
                     double watts) {
    double siemens = 0.0, offset_a = 0.0;
    if (lw == OHMIC) {
        siemens += l->duty_frac / l->ohm * l->duty_frac;
        offset_a += l->duty_frac / l->ohm * l->back_v;
    } else if (lw == LIMITED) {
        watts += limit_w(l);
    }
    if (rw == OHMIC) {
        siemens += r->duty_frac / r->ohm * r->duty_frac;
        offset_a += r->duty_frac / r->ohm * r->back_v;
    } else if (rw == LIMITED) {
        watts += limit_w(r);
    }
    double a = 1.0 + ohm * siemens, b = emf_v + ohm * offset_a;
    double under_root = b * b - 4.0 * a * ohm * watts;
    return under_root < 0.0 ? -1.0 : (b + sqrt(under_root)) / (2.0 * a);
}

/* Of the nine pairs of ways those that agree with their own bus voltage, the highest; -1 without any. */
static double highest(thruster *l, thruster *r, double emf_v, double ohm, double watts) {
    double best_v = -1.0;
    enum way left = IDLE, right = IDLE;
    for (int pair = 0; pair < 9; pair++) {
        enum way lw = (enum way)(pair / 3), rw = (enum way)(pair % 3);
        double bus_v = bus_at(l, lw, r, rw, emf_v, ohm, watts);
        if (bus_v > best_v && way_at(l, bus_v) == lw && way_at(r, bus_v) == rw) {
            best_v = bus_v;
            left = lw;
            right = rw;
        }
    }
    l->way = left;
    r->way = right;
    return best_v;
}

static double bus_solved(thruster *l, thruster *r, double emf_v, double ohm, double watts, whole *collapsed) {
    l->way = r->way = OHMIC;
    for (int attempt = 0; attempt < 4; attempt++) {
        double bus_v = bus_at(l, l->way, r, r->way, emf_v, ohm, watts);
        enum way left = way_at(l, bus_v), right = way_at(r, bus_v);
        if (left == l->way && right == r->way) {
            if (2.0 * bus_v > emf_v)
                return bus_v;
            break;
        }
        l->way = left;
        r->way = right;
    }
    double bus_v = highest(l, r, emf_v, ohm, watts);
    if (2.0 * bus_v <= emf_v)
        *collapsed = 1;
    if (bus_v < 0.0)
        bus_v = highest(l, r, emf_v, ohm, 0.0);
    return most(bus_v, 0.0);
}

static double motor_a(const thruster *t, double bus_v) {
    return t->way == OHMIC ? (t->duty_frac * bus_v - t->back_v) / t->ohm : t->way == LIMITED ? t->limit_a : 0.0;
}

static double cubic(const double c[4], double x) { return c[0] + x * (c[1] + x * (c[2] + x * c[3])); }

/* Moves one rotor by a substep and sums what it gives and takes; its change of bus current in half of it. */
static double turned(const drivetrain_params *p, thruster *t, double inflow_m_s, double a_per_w, driven *sum) {
    const propeller_params *blades = &p->propeller;
    const motor_params *motor = &p->motor;
    double n = t->rad_s / (2.0 * PI), thrust_n = 0.0, water_nm = 0.0;
    if (n > 1e-3) {
        double d = blades->diameter_m;
        double j = held(inflow_m_s / (n * d), 0.0, blades->j_max);
        double head_n = p->density_kg_m3 * n * n * d * d * d * d;
        thrust_n = head_n * cubic(blades->kt, j);
        water_nm = head_n * d * most(cubic(blades->kq, j), 0.0) * t->fouling;
    }
    double turning = most(t->rad_s, 1.0);
    double damping = t->slope_nm_s + 2.0 * water_nm / turning;
    double friction_a = t->rad_s > 0.0 ? motor->no_load_a : least(motor->no_load_a, t->amperes);
    double net_nm = motor->k_v_s * t->amperes - friction_a * motor->k_v_s - water_nm;
    double after = most(t->rad_s + p->dt_s * net_nm / (motor->inertia_kg_m2 + 0.5 * p->dt_s * damping), 0.0);
    double gained = after - t->rad_s;
    double middle = 1.0 + gained / turning;
    double radians = 0.5 * (t->rad_s + after) * p->dt_s;
    double half_a = t->way == OHMIC ? -t->slope_nm_s / motor->k_v_s * 0.5 * gained : 0.0;
    double drawn_a = t->way == OHMIC     ? t->duty_frac * half_a
                     : t->way == LIMITED ? t->limit_a * motor->k_v_s * 0.5 * gained * a_per_w
                                         : 0.0;
    t->amperes += half_a;
    t->copper_j += t->amperes * t->amperes * t->ohm * p->dt_s;
    t->amperes += half_a;
    t->thrust_n += thrust_n * middle / t->fouling;
    t->rad_s = after;
    sum->friction_j += motor->k_v_s * motor->no_load_a * radians;
    sum->shaft_j += water_nm * middle * radians;
    return drawn_a;
}

static driven drive(const drivetrain_params *p, thruster *l, thruster *r, int powered, double emf_v, double ohm,
                    double watts, double inflow_m_s) {
    driven sum = {0};
    double k = p->motor.k_v_s, a_per_w = 0.0;
    for (whole substep = 0; substep < p->substeps; substep++) {
        if (powered) {
            l->back_v = k * l->rad_s;
            r->back_v = k * r->rad_s;
            double node_v = bus_solved(l, r, emf_v, ohm, watts, &sum.collapsed);
            sum.node_a = (emf_v - node_v) / ohm;
            l->amperes = motor_a(l, node_v);
            r->amperes = motor_a(r, node_v);
            double softness = 1.0;
            softness += l->way == OHMIC ? ohm * l->duty_frac * l->duty_frac / l->ohm : 0.0;
            softness += r->way == OHMIC ? ohm * r->duty_frac * r->duty_frac / r->ohm : 0.0;
            if (l->way == LIMITED || r->way == LIMITED) {
                double limited_w = (l->way == LIMITED ? limit_w(l) : 0.0) + (r->way == LIMITED ? limit_w(r) : 0.0);
                a_per_w = 1.0 / (node_v * most(1.0 - ohm * limited_w / (node_v * node_v), 0.25));
            }
            l->slope_nm_s = l->way == OHMIC ? k * k / (l->ohm * softness) : 0.0;
            r->slope_nm_s = r->way == OHMIC ? k * k / (r->ohm * softness) : 0.0;
        }
        double half_a = turned(p, l, inflow_m_s, a_per_w, &sum);
        half_a += turned(p, r, inflow_m_s, a_per_w, &sum);
        sum.node_a += half_a;
        sum.charge_c += sum.node_a * p->dt_s;
        sum.series_j += sum.node_a * sum.node_a * ohm * p->dt_s;
        sum.node_a += half_a;
    }
    sum.node_v = powered ? emf_v - sum.node_a * ohm : 0.0;
    return sum;
}

#endif
