/* What goes into the loop in C, and what moves in it: the fields and their order are those of the world's
 * tuples, each number eight bytes wide, so that a tuple packed number after number is the struct. */

#ifndef DRYDIVE_LOOP_H
#define DRYDIVE_LOOP_H

#include <stdint.h>

typedef int64_t whole;

enum { TABLE_POINTS = 41, COLUMNS = 73, SENSES_FIELDS = 11, MACHINE_FIELDS = 11 };

/* Parameters. */

typedef struct {
    double sensitivity_v_tesla, supply_v_nominal, settled_frac, headroom_v, ground_ohm;
} hall_params;

typedef struct {
    whole counts_max;
    double reference_v;
    whole follows_supply;
} adc_params;

typedef struct {
    double pullup_siemens, closed_siemens, filter_f, low_frac, high_frac;
    whole reads_closed;
    double dt_s;
} contact_params;

typedef struct {
    hall_params hall;
    adc_params adc;
    contact_params deadman, button, cord;
    whole cord_closed_in_place;
    double lead_distance_m, bus_step_v, current_step_a;
    whole speed_fitted;
} senses_params;

typedef struct {
    double series, capacity_c, r0_ohm, r1_ohm, keep1_frac, r2_ohm, keep2_frac;
    double ocv_v[TABLE_POINTS], r0_shape[TABLE_POINTS];
    double activation_j_mol, resistance_growth_frac, capacity_loss_frac, weak_capacity_frac, weak_resistance_frac;
} pack_params;

typedef struct {
    double cell_v_low, cell_low_delay_s, slow_a, slow_delay_s, fast_a, fast_delay_s, warm_degc, warm_delay_s, dt_s;
} protection_params;

typedef struct {
    double on_ohm, parallel, temperature_frac_k;
} switch_params;

typedef struct {
    double open_delay_s, sense_delay_s, dt_s;
} cord_params;

typedef struct {
    double rail_v_nominal, converter_v_min, diode_v, hold_f, load_w, efficiency_frac;
    double brown_out_v, brown_out_v_release, boot_s, dt_s;
} supply_params;

typedef struct {
    whole frame_us;
    double stop_us, full_us, valid_us_min, valid_us_max, arm_s, rise_frac_s, fall_frac_s, on_v, cut_v, cut_delay_s;
    double lost_after_s;
    whole on_lost;
    double hold_s, current_a_max, on_ohm, idle_w, dt_s;
} esc_params;

typedef struct {
    double k_v_s, winding_ohm, no_load_a, inertia_kg_m2;
} motor_params;

typedef struct {
    double diameter_m, kt[4], kq[4], j_max;
} propeller_params;

typedef struct {
    motor_params motor;
    propeller_params propeller;
    double density_kg_m3;
    whole substeps;
    double dt_s;
} drivetrain_params;

typedef struct {
    double mass_kg, drag_kg_m, deduction_frac, wake_frac, arm_m;
    whole held;
    double dt_s;
} hull_params;

typedef struct {
    double resistance_k_w, keep_frac;
} heat_params;

typedef struct {
    heat_params esc, motor, mosfets, pack;
    double around_degc;
} warmth_params;

typedef struct {
    pack_params pack;
    protection_params protection;
    switch_params mosfets;
    double leads_ohm;
    cord_params cord;
    supply_params supply;
    whole logic_behind_switch;
    esc_params esc;
    whole right_frame_offset_us;
    drivetrain_params drivetrain;
    hull_params hull;
    warmth_params warmth;
    whole tick_us;
    double dt_s;
} machine_params;

/* State. */

typedef struct {
    double soc_frac, weak_soc_frac, v1_v, v2_v;
} pack_state;

typedef struct {
    whole tripped;
    double low_s, slow_s, fast_s, warm_s;
} protection_state;

typedef struct {
    double away_s, seated_s;
} cord_state;

typedef struct {
    double hold_v;
    whole chip;
    double boot_s, resets;
} supply_state;

typedef struct {
    whole mode;
    double armed_s, silent_s, low_s, target_frac, duty_frac;
} esc_state;

typedef struct {
    double left_rad_s, right_rad_s;
} rotors_state;

typedef struct {
    double speed_m_s, distance_m;
} hull_state;

typedef struct {
    double left_esc, right_esc, left_motor, right_motor, mosfets, pack;
} warmth_state;

typedef struct {
    double source_j, heat_j, shaft_j;
} energy_state;

typedef struct {
    pack_state pack;
    protection_state protection;
    cord_state cord;
    supply_state supply;
    esc_state left_esc, right_esc;
    rotors_state rotors;
    hull_state hull;
    warmth_state warmth;
    energy_state energy;
    double bus_v, logic_w;
} machine_state;

typedef struct {
    double line_v;
    whole reads;
} contact_state;

typedef struct {
    double signal_v;
    contact_state deadman, button, cord;
    whole counts;
} senses_state;

/* Tapes, a row a tick. */

typedef struct {
    double magnets_tesla, hall_noise_v, hall_drift_v, hall_fault, hall_lost, deadman_closed, deadman_leak_siemens;
    double button_closed, button_leak_siemens, cord_leak_siemens, bus_noise_v;
} senses_tape;

typedef struct {
    double cord_seated, switch_welded, extra_ohm, left_wire, right_wire, left_alive, right_alive;
    double left_fouling, right_fouling, chip_reset, release;
} machine_tape;

/* Between the parts. */

typedef struct {
    whole hall_counts, sensor_supply_mv, bus_mv, pack_ma, deadman, mode_button, kill_cord, left_rpm, right_rpm;
} pins;

typedef struct {
    whole left_pulse_us, right_pulse_us, power_step, display, mode, reason, lever_permille;
} command;

typedef struct {
    double bus_v, bus_a, pack_v, cell_v_min, rail_v;
    whole cord_in_place, switch_closed;
    double left_motor_a, right_motor_a, left_thrust_n, right_thrust_n;
    whole collapsed;
} outputs;

#endif
