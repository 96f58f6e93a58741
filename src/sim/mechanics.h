/* mechanics.h - the rail's carriage and what stands on it.
 *
 *   step edges -> rotor -> (backlash, screw error) -> carriage -> (spring, damper) -> camera
 *
 * The camera is one mass on a spring and a damper, its base the carriage. An edge moves the base at once;
 * between edges the motion relative to the base is the closed form of a free damped oscillator, so nothing is
 * integrated in small steps and no error grows. The last MECHANICS_KEPT edges are remembered, for exposures
 * that began before them.
 *
 * An edge that comes faster than the rotor can follow is lost: the rotor starts at once up to a start-stop
 * rate, gains speed at a limited rate beyond that, and never follows faster than its pull-out rate. */
#ifndef STADDLE_SIM_MECHANICS_H
#define STADDLE_SIM_MECHANICS_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"

struct mechanics_spec {
    double nm_per_edge;
    double lead_nm;
    double ring_hz, ring_zeta; /* ring_hz 0: a rigid stand */
    double backlash_nm;
    double screw_error_nm, screw_phase; /* once a turn, zero-to-peak; a third of it twice a turn */
    double scatter_nm;                  /* each move ends so far beside its place, one sigma */
    double start_stop_hz, pull_out_hz, gain_hz_per_s; /* edges; pull_out_hz 0: no edge is ever lost */
    uint64_t seed;
};

struct mechanics;

struct mechanics *mechanics_new(const struct mechanics_spec *, struct err *);
void mechanics_free(struct mechanics *);
void mechanics_place(struct mechanics *,
                     double position_nm); /* at rest, pushed against the near side of its play */
void mechanics_edge(struct mechanics *, int64_t at_ns, int dir);

double mechanics_carriage_nm(const struct mechanics *); /* now */
/* Zero-to-peak amplitude of the camera against the carriage, at a time not before the last edge. */
double mechanics_ringing_nm(const struct mechanics *, int64_t at_ns);
int64_t mechanics_edges(const struct mechanics *, int64_t *net_out, int64_t *lost_out);

/* At any time for which no edge is still to come: where the carriage is, and how far the
 * camera is ahead of it (positive toward the subject). */
void mechanics_at(const struct mechanics *, int64_t at_ns, double *carriage_nm_out, double *offset_nm_out);

#endif
