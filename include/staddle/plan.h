/* plan.h - which slices to shoot, where, and why: the printable result of planning. */
#ifndef STADDLE_PLAN_H
#define STADDLE_PLAN_H

#include <stdbool.h>
#include <stdint.h>

#define PLAN_SLICES_MOST 4000

enum plan_spacing { SPACING_BY_CONTRAST, SPACING_GIVEN, SPACING_BY_OVERLAP, SPACING_BY_SLICES };
enum plan_source { PLAN_PLANNED, PLAN_IMPORTED, PLAN_FILLED, PLAN_EXTENDED };

struct plan_slice {
    int32_t number; /* from 1, near to far */
    bool margin;
    int64_t target_nm; /* axis position; exact image of target_counts */
    int64_t target_counts;
};

/* Distances on the object side, totals over both sides of best focus. */
struct plan_optics {
    double magnification;
    double effective_f_number;
    double marked_f_number; /* 0: not given */
    double na;              /* object side, paraxial */
    double pupil_ratio;
    double exposure_factor, exposure_stops;
    double airy_diameter_um; /* on the sensor, to the first dark ring */
    double pixel_um;
    double blur_limit_px;
    double geometric_dof_um;
    double wave_dof_um;
    double dof_um;                   /* geometric + wave */
    double test_frequency_lp_per_mm; /* on the sensor, where contrast midway is judged */
    double contrast_midway;          /* relative to the contrast in focus, at the spacing chosen */
    double overlap;                  /* 1 - spacing / dof */
    double view_distance_mm;         /* entrance pupil to the plane of focus; 0: no focal length, not known */
    /* By how much a point at the far end looks smaller in the first frame than in the last, e.g. 0.07; 0
     * where the view distance is not known. */
    double scale_change;
};

struct plan_travel {
    int64_t first_nm, last_nm;
    int64_t take_up_nm;        /* every approach comes from this far on the near side, or 0 */
    int64_t toward_subject_nm; /* furthest beyond the near mark */
};

/* How the bench rings after a move; hz 0: nobody knows. */
struct plan_ring {
    double hz, zeta;
    double share; /* both are right within this share */
};

/* A move in slots of one rate each, as hw-docs/wire.md has them; the shares add up to 65536. */
#define PLAN_SLOTS_MOST 8
struct plan_slot {
    int64_t us;
    int32_t share;
};

enum plan_shaper { SHAPER_NONE, SHAPER_ZVD, SHAPER_ZVDD };

/* Why a move goes as it does. */
enum plan_shape_why {
    SHAPE_NO_RING,  /* nobody knows how the bench rings: by the ramp */
    SHAPE_STILL,    /* the shape leaves less than the budget */
    SHAPE_RINGS_ON, /* the best there is leaves more: a wait follows */
    SHAPE_TOO_FAST, /* the motor cannot start as fast as any shape wants: by the ramp, a wait follows */
};

struct plan_shape {
    enum plan_shaper kind; /* NONE: by the ramp */
    enum plan_shape_why why;
    int32_t box_halves; /* length of the box in half periods */
    int32_t slot_count;
    struct plan_slot slots[PLAN_SLOTS_MOST];
    int64_t counts;               /* the distance that it was chosen for, */
    int64_t most_counts;          /* and the longest that it may be used for */
    int64_t length_us;            /* to the last edge */
    int64_t residual_nm, wait_us; /* zero-to-peak there, at worst; until it is less than the budget */
};

struct plan_timeline {
    struct plan_ring ring;
    struct plan_shape shape; /* of the moves from slice to slice */
    int64_t budget_nm;       /* of ringing, zero-to-peak, that an exposure may see */
    bool settle_given;       /* by the job; else settle_us follows from the shape, where there is one */
    int64_t ramp_settle_us;  /* after the longest move by the ramp */
    bool by_hand;            /* how long a person turns the knob is in none of the times */
    bool by_others;          /* nor how long it takes until others have fired the camera */
    int64_t start_delay_us;
    int64_t approach_us; /* from the near mark back to where the first slice is approached from, and to it */
    int64_t move_us, settle_us, lag_us, exposure_us, recycle_us; /* for one slice */
    int64_t busy_us;    /* of the camera after an exposure, while the next slice moves and settles */
    int64_t slice_us;   /* the critical path */
    int64_t closing_us; /* back to the first slice, one more frame */
    bool quiet;         /* and after it the quiet frame: */
    int64_t quiet_us;   /* to the middle, a rest, the frame; 0 without */
    int64_t total_us;
};

struct plan {
    enum plan_source source;
    enum plan_spacing spacing_by;
    int64_t wanted_spacing_nm; /* what the rule or the job gave */
    int64_t spacing_nm; /* a little less, so that the last slice lies on the far mark; rounded for show */
    int32_t margin_near, margin_far;
    int64_t near_nm, far_nm;
    int64_t nm_per_count_num, nm_per_count_den; /* rational: lead / (steps x microsteps) */
    struct plan_optics optics;
    struct plan_travel travel;
    struct plan_timeline timeline;
    double compose_looser; /* frame so much wider, seen from the first slice, e.g. 0.08 */
    int32_t slice_count;
    struct plan_slice *slices; /* owned: plan_clear */
};

#endif
