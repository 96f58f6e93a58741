#include "sim/mechanics.h"

#include <math.h>

#include "base/mem.h"
#include "sim/hash.h"

#define MECHANICS_KEPT 32768 /* a power of two */
#define TWO_PI         6.283185307179586
#define REST_NS        20000000 /* without an edge: it has come to rest, and seats itself anew (guess) */

/* The state right after an edge. */
struct moment {
    int64_t at_ns;
    double carriage_nm;
    double offset_nm, offset_nm_per_s; /* camera against carriage */
};

struct mechanics {
    struct mechanics_spec spec;
    double placed_nm; /* where the counts began */
    int64_t followed; /* net edges that the rotor followed since then */
    double nut_nm;    /* without screw error */
    double seat_nm;   /* how far beside that it came to rest */
    uint64_t seats;
    int64_t edge_at_ns;
    double rotor_hz; /* rate of the edges followed last */
    int64_t followed_at_ns;
    int64_t edges, net, lost;
    int64_t moments; /* ever made; the newest is kept at (moments - 1) % MECHANICS_KEPT */
    struct moment kept[MECHANICS_KEPT];
};

static double screw_error(const struct mechanics_spec *s, double nut_nm)
{
    double turn = TWO_PI * nut_nm / s->lead_nm + s->screw_phase;
    return s->screw_error_nm * (sin(turn) + sin(2 * turn + 1.0) / 3);
}

static double carriage_of(const struct mechanics *m)
{
    return m->nut_nm + screw_error(&m->spec, m->nut_nm) + m->seat_nm;
}

static struct moment *newest(struct mechanics *m)
{
    return &m->kept[(m->moments - 1) & (MECHANICS_KEPT - 1)];
}

/* Free oscillation over dt seconds, damped less than critically: the closed form of any handbook of
 * vibration. */
static void ring_on(const struct mechanics_spec *s, double dt, double *x, double *v)
{
    if (s->ring_hz <= 0) {
        *x = *v = 0;
        return;
    }
    double wn = TWO_PI * s->ring_hz, decay = s->ring_zeta * wn,
           wd = wn * sqrt(1 - s->ring_zeta * s->ring_zeta);
    double e = exp(-decay * dt), c = cos(wd * dt), sn = sin(wd * dt);
    double x0 = *x, v0 = *v;
    *x = e * (x0 * c + (v0 + decay * x0) / wd * sn);
    *v = e * (v0 * c - (decay * v0 + wn * wn * x0) / wd * sn);
}

struct mechanics *mechanics_new(const struct mechanics_spec *spec, struct err *why)
{
    struct mechanics *m = mem_new(1, sizeof *m, why);
    if (!m) return NULL;
    m->spec = *spec;
    mechanics_place(m, 0);
    return m;
}

void mechanics_free(struct mechanics *m)
{
    mem_free(m);
}

void mechanics_place(struct mechanics *m, double position_nm)
{
    m->placed_nm = m->nut_nm = position_nm - screw_error(&m->spec, position_nm);
    m->followed = 0;
    m->rotor_hz = m->seat_nm = 0;
    m->moments = 1;
    m->kept[0] = (struct moment){.at_ns = INT64_MIN, .carriage_nm = carriage_of(m)};
}

/* Whether the rotor follows an edge that comes now; keeps its speed up to date. */
static bool rotor_follows(struct mechanics *m, int64_t at_ns)
{
    const struct mechanics_spec *s = &m->spec;
    double since = m->followed_at_ns ? (double)(at_ns - m->followed_at_ns) * 1e-9 : 1;
    double rate = since > 1e-9 ? 1 / since : 1e9;
    double reach = fmax(s->start_stop_hz, m->rotor_hz + s->gain_hz_per_s * since);
    if (s->pull_out_hz > 0 && rate > fmin(s->pull_out_hz, reach) * 1.05) return false;
    m->rotor_hz = rate;
    m->followed_at_ns = at_ns;
    return true;
}

/* Seconds from a moment on; a bench just placed has been at rest for ever. */
static double seconds_from(const struct moment *from, int64_t at_ns)
{
    return from->at_ns == INT64_MIN || at_ns < from->at_ns ? 0 : (double)(at_ns - from->at_ns) * 1e-9;
}

void mechanics_edge(struct mechanics *m, int64_t at_ns, int dir)
{
    m->edges++;
    m->net += dir;
    if (m->spec.scatter_nm > 0 && dir > 0 && at_ns - m->edge_at_ns > REST_NS)
        m->seat_nm = m->spec.scatter_nm * hash_normal(m->spec.seed, m->seats++);
    m->edge_at_ns = at_ns;
    if (!rotor_follows(m, at_ns)) {
        m->lost++;
        return;
    }
    m->followed += dir;
    double rotor_nm = m->placed_nm + (double)m->followed * m->spec.nm_per_edge;
    if (m->nut_nm < rotor_nm) m->nut_nm = rotor_nm;
    if (m->nut_nm > rotor_nm + m->spec.backlash_nm) m->nut_nm = rotor_nm + m->spec.backlash_nm;

    struct moment next = *newest(m);
    ring_on(&m->spec, seconds_from(&next, at_ns), &next.offset_nm, &next.offset_nm_per_s);
    double jump_nm = carriage_of(m) - next.carriage_nm;
    next.at_ns = at_ns;
    next.carriage_nm += jump_nm;
    if (m->spec.ring_hz > 0) {
        /* The mass stays where it is; the damper gives it a knock. */
        next.offset_nm -= jump_nm;
        next.offset_nm_per_s += 2 * m->spec.ring_zeta * TWO_PI * m->spec.ring_hz * jump_nm;
    }
    m->moments++;
    *newest(m) = next;
}

double mechanics_carriage_nm(const struct mechanics *m)
{
    return carriage_of(m);
}

double mechanics_ringing_nm(const struct mechanics *m, int64_t at_ns)
{
    if (m->spec.ring_hz <= 0) return 0;
    const struct moment *last = &m->kept[(m->moments - 1) & (MECHANICS_KEPT - 1)];
    double x = last->offset_nm, v = last->offset_nm_per_s;
    ring_on(&m->spec, seconds_from(last, at_ns), &x, &v);
    double wn = TWO_PI * m->spec.ring_hz, wd = wn * sqrt(1 - m->spec.ring_zeta * m->spec.ring_zeta);
    return hypot(x, (v + m->spec.ring_zeta * wn * x) / wd);
}

int64_t mechanics_edges(const struct mechanics *m, int64_t *net_out, int64_t *lost_out)
{
    if (net_out) *net_out = m->net;
    if (lost_out) *lost_out = m->lost;
    return m->edges;
}

void mechanics_at(const struct mechanics *m, int64_t at_ns, double *carriage_nm_out, double *offset_nm_out)
{
    int64_t newest_index = m->moments - 1;
    int64_t lo = newest_index >= MECHANICS_KEPT ? newest_index - MECHANICS_KEPT + 1 : 0, hi = newest_index;
    while (lo < hi) {
        int64_t middle = lo + (hi - lo + 1) / 2;
        if (m->kept[middle & (MECHANICS_KEPT - 1)].at_ns <= at_ns)
            lo = middle;
        else
            hi = middle - 1;
    }
    struct moment from = m->kept[lo & (MECHANICS_KEPT - 1)];
    ring_on(&m->spec, seconds_from(&from, at_ns), &from.offset_nm, &from.offset_nm_per_s);
    *carriage_nm_out = from.carriage_nm;
    *offset_nm_out = from.offset_nm;
}
